package demo

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"path"
	"slices"
	"time"
)

// revision is one calibration: its tables as the control unit runs them.
type revision struct {
	id, parent, platform, vehicle, author, status, fuel string
	date                                                time.Time
	hardware                                            string            // the exhaust
	parts                                               map[string]string // named parts of other items
	spark, lambda, boost                                grid
	idle                                                grid // role other; only written where writesIdle
	writesIdle                                          bool
	cam                                                 grid // intake cam advance; empty without a cam
	writesCam                                           bool
	boostByPedal                                        bool
}

// authors are the shop's codes for its people.
var authors = []string{"t1", "t2", "t3", "t4"}

// commonRevisions are the platform's base calibration and one stage calibration for each fuel.
func commonRevisions(e *engine) []*revision {
	base := &revision{
		id: e.id + "-base", platform: e.id, vehicle: "fleet", author: "t1", status: "released", fuel: fuels[0].id,
		date: time.Date(2024, 10, 15, 0, 0, 0, 0, time.UTC), hardware: "stock", writesIdle: true, cam: e.home,
		writesCam: len(e.home.x) > 0,
		idle:      line([]float64{-20, 0, 20, 40, 60, 80, 100}, []float64{1250, 1150, 1050, 950, 850, 780, 780}),
	}
	calibrate(base, e, &fuels[0], e.baseGain, 0, 0.6)
	out := []*revision{base}
	for i := range fuels {
		r := &revision{
			id: fmt.Sprintf("%s-%s-s1", e.id, fuels[i].id), parent: base.id, platform: e.id, vehicle: "fleet",
			author: authors[i%len(authors)], status: "released", fuel: fuels[i].id,
			date: time.Date(2024, 12, 1+i, 0, 0, 0, 0, time.UTC), hardware: "stock", idle: base.idle,
			cam: base.cam,
		}
		calibrate(r, e, &fuels[i], fuels[i].extra, 0, 0.5)
		out = append(out, r)
	}
	return out
}

// calibrate fills the tables: boost as gain × the platform's gauge target, lambda by speed and load, spark as an
// experienced tuner would set it: an average car's knock limit less a margin, never past best torque.
func calibrate(r *revision, e *engine, fuel *fuelKind, gain, adjust, spare float64) {
	r.boostByPedal = e.id == "marlin-25t"
	target := func(rpm float64) float64 { return 100 + gain*(e.baseBoost.at(rpm, 0)-100) }
	if r.boostByPedal {
		r.boost = build(rpmAxis, []float64{0, 40, 70, 100}, 1, func(rpm, pedal float64) float64 {
			return 100 + (target(rpm)-100)*clamp((pedal-20)/60, 0, 1)
		})
	} else {
		r.boost = build(rpmAxis, nil, 1, func(rpm, _ float64) float64 { return target(rpm) })
	}
	r.lambda = build([]float64{800, 2000, 3000, 4000, 5000, 6000, 7000}, []float64{40, 80, 100, 120, 140, 160, 180},
		0.005, targetLambda)
	r.spark = build(rpmAxis, e.loadAxis, 0.5, func(rpm, load float64) float64 {
		c := e.nominal(rpm, load/100, fuel)
		c.lambda = r.lambda.at(rpm, load)
		best := e.burnAngle(rpm, c.load, c.lambda) - 8
		limit := e.knockLimit(&c) - e.margin(rpm) - spare + adjust
		return clamp(math.Min(best, limit), -2, 42)
	})
}

// targetLambda is the full-load enrichment of both platforms.
func targetLambda(rpm, load float64) float64 {
	if load <= 85 {
		return 1
	}
	full := clamp(0.92-0.000024*(rpm-2000), 0.82, 0.92)
	share := clamp((load-85)/45, 0, 1)
	return 1 - share*(1-full)
}

// nominal is the state a tuner has in mind for a cell: average car, warm day.
func (e *engine) nominal(rpm, load float64, fuel *fuelKind) condition {
	charge := 305.5 + 6*clamp(load, 0, 2) + 0.0022*rpm
	manifold := load * loadDensity / e.ve.at(rpm, 0) * gasConstantAir * charge
	return condition{rpm: rpm, load: load, manifold: manifold, charge: charge, coolant: 365, lambda: 0.88,
		fuel: fuel.nominal}
}

// stage is the fleet-wide calibration for the car's platform and fuel.
func (f *fleet) stage(c *car) *revision {
	id := fmt.Sprintf("%s-%s-s1", c.engine.id, c.fuel.id)
	for _, r := range f.common {
		if r.id == id {
			return r
		}
	}
	return nil
}

// writeRevisions makes the car's own calibrations: tuned to what its knock sensor said, with a bit more boost later.
func (c *car) writeRevisions(f *fleet, rng *rand.Rand) {
	author := authors[(c.index/2+rng.IntN(2))%len(authors)]
	adjust := round(clamp(0.7*c.knockOffset+0.5*rng.NormFloat64(), -4, 1.5), 0.5)
	if proposes(c.index) {
		adjust = round(c.knockOffset-0.25, 0.5)
	}
	gain := c.fuel.extra * (1.02 + 0.05*rng.Float64())
	if c.index == roleMild {
		adjust--
		gain = 0.96 * c.fuel.extra
	}
	a := c.newRevision("a", f.stage(c), author)
	calibrate(a, c.engine, c.fuel, gain, adjust, 0)
	c.revisions = []*revision{a}
	if c.index%4 >= 2 || proposes(c.index) || c.leak != 0 || c.drift != 0 {
		return
	}
	b := c.newRevision("b", a, author)
	calibrate(b, c.engine, c.fuel, gain*1.03, adjust+round(0.4*rng.NormFloat64(), 0.5), 0)
	c.revisions = append(c.revisions, b)
}

// newRevision is an empty released revision of the car.
func (c *car) newRevision(letter string, parent *revision, author string) *revision {
	return &revision{
		id: fmt.Sprintf("rev-%04d-%s", 101+c.index, letter), parent: parent.id, platform: c.engine.id, vehicle: c.id,
		author: author, status: "released", fuel: c.fuel.id, hardware: c.hardware, idle: parent.idle,
		cam: parent.cam,
	}
}

// latest is the revision a proposal starts from.
func (c *car) latest() *revision { return c.revisions[len(c.revisions)-1] }

// child is a proposed copy of r, tables still equal.
func (r *revision) child(id, author string, date time.Time) *revision {
	n := *r
	n.id, n.parent, n.author, n.status, n.date, n.writesIdle = id, r.id, author, "proposed", date, false
	n.writesCam = false
	return &n
}

// files returns the revision's files by path relative to the workspace.
func (r *revision) files() map[string][]byte {
	dir := path.Join("revisions", r.id)
	var b bytes.Buffer
	fmt.Fprintf(&b, "id: %s\n", r.id)
	if r.parent != "" {
		fmt.Fprintf(&b, "parent: %s\n", r.parent)
	}
	fmt.Fprintf(&b, "platform: %s\nvehicle: %s\nauthor: %s\nstatus: %s\ndate: %s\nfuel: %s\n", r.platform, r.vehicle,
		r.author, r.status, r.date.Format(time.DateOnly), r.fuel)
	fmt.Fprintf(&b, "hardware: {exhaust: %s", r.hardware)
	for _, item := range slices.Sorted(maps.Keys(r.parts)) {
		fmt.Fprintf(&b, ", %s: %s", item, r.parts[item])
	}
	b.WriteString("}\ntables:\n")
	const byLoad = `x: {channel: engine_speed, unit: rpm}, y: {channel: absolute_load, unit: "%"}`
	fmt.Fprintf(&b, "  - {role: spark, file: tables/spark.csv, %s, unit: deg}\n", byLoad)
	fmt.Fprintf(&b, "  - {role: lambda, file: tables/lambda.csv, %s, unit: lambda}\n", byLoad)
	boostAxes := "x: {channel: engine_speed, unit: rpm}"
	if r.boostByPedal {
		boostAxes += `, y: {channel: pedal_position, unit: "%"}`
	}
	fmt.Fprintf(&b, "  - {role: boost, file: tables/boost.csv, %s, unit: kPa}\n", boostAxes)
	out := map[string][]byte{
		path.Join(dir, "tables/spark.csv"):  r.spark.csv(`load % \ rpm`, 1),
		path.Join(dir, "tables/lambda.csv"): r.lambda.csv(`load % \ rpm`, 3),
		path.Join(dir, "tables/boost.csv"):  r.boost.csv(boostCorner(r), 0),
	}
	if r.writesIdle {
		b.WriteString("  - {role: other, name: idle_speed, file: tables/idle_speed.csv, x: {channel: " +
			"coolant_temperature, unit: C}, unit: rpm}\n")
		out[path.Join(dir, "tables/idle_speed.csv")] = r.idle.csv("coolant C", 0)
	}
	if r.writesCam {
		fmt.Fprintf(&b, "  - {role: intake_cam, file: tables/intake_cam.csv, %s, unit: deg}\n", byLoad)
		out[path.Join(dir, "tables/intake_cam.csv")] = r.cam.csv(`load % \ rpm`, 1)
	}
	out[path.Join(dir, "revision.yaml")] = b.Bytes()
	return out
}

func boostCorner(r *revision) string {
	if r.boostByPedal {
		return `pedal % \ rpm`
	}
	return "rpm"
}
