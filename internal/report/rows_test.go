package report

import (
	"bytes"
	"encoding/csv"
	"reflect"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"

	"headroom/internal/report/show"
)

// TestParquet reads each file back and compares it with the rows that went in, missing values included.
func TestParquet(t *testing.T) {
	same(t, "review", reviewRows(told(wordedReview, fixtureReview())))
	same(t, "awkward", reviewRows(told(wordedReview, awkwardReview())))
	same(t, "audit", auditRows(told(wordedAudit, fixtureAudit())))
	same(t, "across", acrossRows(told(wordedAcross, fixtureAcross())))
	same(t, "against", againstRows(told(wordedAgainst, fixtureAgainst())))
	same(t, "fleet", fleetRows(told(wordedFleet, fixtureFleet())))
	same(t, "envelopes", envelopeRows(told(wordedEnvelopes, fixtureEnvelopes())))
	same(t, "inspect", inspectRows(fixtureInspections()))
	same(t, "ingest", ingestRows(fixtureSummary(), ingestResult(fixtureSummary(), wordsIn(t, show.Units{})).Suspects))
	same(t, "verify", verifyRows(fixtureFaults()))
}

// told is a result with its words as a file for programs has them.
func told[T any](say func(*T, words) *T, r *T) *T {
	d, _ := show.NewDisplay(show.Units{})
	return say(r, words{Display: d, forPrograms: true})
}

func same[R any](t *testing.T, name string, want []R) {
	t.Helper()
	data := []byte(render(t, name, Parquet, Options{}))
	got, err := parquet.Read[R](bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%s: read back\n%+v\nwant\n%+v", name, got, want)
	}
}

func TestParquetSaysWhereItComesFrom(t *testing.T) {
	data := []byte(render(t, "review", Parquet, Options{}))
	f, err := parquet.OpenFile(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string]string{"schema": "headroom/review/1", "tool_version": "0.1.0",
		"workspace_digest": digest, "seed": "1"} {
		if got, _ := f.Lookup(key); got != want {
			t.Errorf("%s is %q, want %q", key, got, want)
		}
	}
}

// TestCSV reads each file back: a rectangle, with a hazard that was not assessed in it and an empty field, never a
// zero, for what is not known.
func TestCSV(t *testing.T) {
	for _, r := range renderings {
		records, err := csv.NewReader(strings.NewReader(render(t, r.name, CSV, Options{}))).ReadAll()
		if err != nil || len(records) < 2 {
			t.Errorf("%s: %d records, %v", r.name, len(records), err)
		}
	}
	records, err := csv.NewReader(strings.NewReader(render(t, "review", CSV, Options{}))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := map[string]int{}
	for i, name := range records[0] {
		at[name] = i
	}
	if got, want := len(records)-1, 6+12; got != want {
		t.Errorf("%d rows, want %d", got, want)
	}
	for _, r := range records[1:] {
		if r[at["record"]] == "hazard" && r[at["hazard"]] == "oil_temperature" && (r[at["status"]] != "not_assessed" ||
			r[at["probability_per_pull"]] != "" || r[at["say"]] == "") {
			t.Errorf("not assessed is written as %q", r)
		}
		if r[at["rank"]] == "5" && (r[at["predicted"]] != "" || r[at["margin"]] != "" || r[at["limit"]] != "1500") {
			t.Errorf("a missing prediction is written as %q", r)
		}
	}
}

// TestFlatNames: a column whose values have one unit says so in its name.
func TestFlatNames(t *testing.T) {
	names := strings.Split(strings.SplitN(render(t, "review", CSV, Options{}), "\n", 2)[0], ",")
	for _, want := range []string{"low_rpm", "high_rpm", "load_low_pct", "change_spark_deg", "change_boost_kpa",
		"unit"} {
		found := false
		for _, n := range names {
			found = found || n == want
		}
		if !found {
			t.Errorf("no column %q in %v", want, names)
		}
	}
}
