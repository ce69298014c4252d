package ingest

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"headroom/internal/hazard"
	"headroom/internal/runlog"
	"headroom/internal/store"
	"headroom/models/channel"
)

// Twenty logs with one problem are one line, with what it costs; a channel that another stands in for costs nothing.
func TestUnusedIsGrouped(t *testing.T) {
	var b strings.Builder
	b.WriteString("Time (s),RPM,Throttle (%),Boost (kPa),MAF (g/s),Spark Advance (deg),AFR,AFR Target,ECT (°C)\n")
	for i := range 60 {
		rpm, throttle, boost, flow := 800.0, 3.0, 100.0, 3.0
		if i >= 30 {
			rpm, throttle, boost, flow = 2000+100*float64(i-30), 100.0, 120.0, 60+2*float64(i)
		}
		fmt.Fprintf(&b, "%.1f,%.0f,%.0f,%.2f,%.1f,12,12.1,12,%d\n", 0.1*float64(i), rpm, throttle,
			boost+0.01*float64(i%3),
			flow, 90+i%2)
	}
	runs, err := runlog.ReadFrom(strings.NewReader(b.String()), "a.csv", runlog.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var sources []store.Source
	real := map[string]string{}
	for k := range 20 {
		path := fmt.Sprintf("runs/car-%02d/rev/a.csv", k)
		sources = append(sources, store.Source{Path: path, Unused: unusedOf(runs[0])})
		real[path] = path
	}
	groups := groupUnused(sources, real)
	find := func(id channel.ID) *Unused {
		for i := range groups {
			if groups[i].Channel == id {
				return &groups[i]
			}
		}
		return nil
	}
	boost := find(channel.ManifoldPressure)
	if boost == nil || boost.Logs != 20 || boost.Lack != "reference" ||
		boost.Header != "Boost (kPa)" || boost.Example != "runs/car-00/rev/a.csv" ||
		!slices.Equal(boost.Costs, []hazard.ID{hazard.BoostControl}) {
		t.Errorf("boost: %+v", boost)
	}
	knock := find(channel.KnockRetard)
	if knock == nil || knock.Lack != LackColumn || knock.Logs != 20 ||
		!slices.Equal(knock.Costs, []hazard.ID{hazard.Knock}) {
		t.Errorf("knock: %+v", knock)
	}
	for _, id := range []channel.ID{channel.Lambda, channel.SparkAdvance, channel.InjectorPulse} {
		if g := find(id); g != nil {
			t.Errorf("%s is read, or stood for by the first of its line: %+v", id, g)
		}
	}
}

// docs/logs.md holds the table of what each hazard needs, as the catalogue has it.
func TestNeedsAreDocumented(t *testing.T) {
	doc, err := os.ReadFile("../../docs/logs.md")
	if err != nil {
		t.Fatal(err)
	}
	one := func(lines [][]channel.ID) string {
		var all []string
		for _, line := range lines {
			var ids []string
			for _, id := range line {
				ids = append(ids, "`"+string(id)+"`")
			}
			all = append(all, strings.Join(ids, " or "))
		}
		return strings.Join(all, "; ")
	}
	rows := []string{"| every hazard | " + one(hazard.Always()) + " |"}
	for _, h := range hazard.All() {
		if len(h.Needs()) == 0 {
			t.Errorf("%s needs nothing", h.ID)
		}
		rows = append(rows, "| "+h.Spoken+" | "+one(h.Needs())+" |")
	}
	if table := strings.Join(rows, "\n"); !strings.Contains(string(doc), table) {
		t.Errorf("docs/logs.md should hold\n%s", table)
	}
}
