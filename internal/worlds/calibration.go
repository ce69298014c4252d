package worlds

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"time"
)

// calibration is one revision.
type calibration struct {
	id, parent, vehicle, author, status string
	date                                time.Time
	fuel                                int
	parts                               map[string]string // item → part
	spark, lambda, boost, cam           table
	before                              *calibration // nil for a base
	pedal                               bool         // boost is written over pedal too
}

// boostTarget is kPa absolute.
func (c *calibration) boostTarget(rpm, pedal float64) float64 { return c.boost.at(rpm, pedal) }

// child is a copy to be changed.
func (c *calibration) child(id, vehicle, author, status string, date time.Time) *calibration {
	out := *c
	out.id, out.parent, out.before, out.vehicle, out.author, out.status, out.date = id, c.id, c, vehicle, author,
		status, date
	out.parts = maps.Clone(c.parts)
	return &out
}

// Rounding and span of each table, as a shop keeps them.
func (c *calibration) addSpark(by func(rpm, load float64) float64) {
	c.spark = c.spark.changed(0.25, -15, 45, by)
}

func (c *calibration) addLambda(by func(rpm, load float64) float64) {
	c.lambda = c.lambda.changed(0.005, 0.68, 1.05, by)
}

func (c *calibration) addBoost(by func(rpm, pedal float64) float64) {
	c.boost = c.boost.changed(1, 40, 330, by)
}

func (c *calibration) addCam(by func(rpm, load float64) float64) {
	c.cam = c.cam.changed(0.5, 0, 55, by)
}

// files are the revision's, by path in the workspace. A table that is the parent's is not written again.
func (c *calibration) files(w *world) map[string][]byte {
	out := map[string][]byte{}
	dir := "revisions/" + c.id + "/"
	var b bytes.Buffer
	fmt.Fprintf(&b, "id: %s\n", c.id)
	if c.parent != "" {
		fmt.Fprintf(&b, "parent: %s\n", c.parent)
	}
	fmt.Fprintf(&b, "platform: %s\nvehicle: %s\nauthor: %s\nstatus: %s\ndate: %s\nfuel: %s\n", w.engine.id, c.vehicle,
		c.author, c.status, c.date.Format(time.DateOnly), w.fuels[c.fuel].id)
	if len(c.parts) > 0 {
		b.WriteString("hardware: {")
		for i, item := range slices.Sorted(maps.Keys(c.parts)) {
			if i > 0 {
				b.WriteString(", ")
			}
			fmt.Fprintf(&b, "%s: %s", item, c.parts[item])
		}
		b.WriteString("}\n")
	}
	b.WriteString("tables:\n")
	const speed, load = "x: {channel: engine_speed, unit: rpm}", `y: {channel: absolute_load, unit: "%"}`
	add := func(role, axes, unit string, get func(*calibration) *table) {
		t := get(c)
		if len(t.x) == 0 || c.before != nil && t.same(get(c.before)) {
			return
		}
		fmt.Fprintf(&b, "  - {role: %s, file: tables/%s.csv, %s, unit: %s}\n", role, role, axes, unit)
		out[dir+"tables/"+role+".csv"] = t.csv()
	}
	add("spark", speed+", "+load, "deg", func(c *calibration) *table { return &c.spark })
	add("lambda", speed+", "+load, "lambda", func(c *calibration) *table { return &c.lambda })
	axes := speed
	if c.pedal {
		axes += `, y: {channel: pedal_position, unit: "%"}`
	}
	add("boost", axes, "kPa", func(c *calibration) *table { return &c.boost })
	add("intake_cam", speed+", "+load, "deg", func(c *calibration) *table { return &c.cam })
	if bytes.HasSuffix(b.Bytes(), []byte("tables:\n")) {
		b.Truncate(b.Len() - len("tables:\n"))
	}
	out[dir+"revision.yaml"] = b.Bytes()
	return out
}
