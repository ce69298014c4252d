package export

import (
	"bytes"
	"encoding/csv"
	"errors"
	"reflect"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"

	"headroom/internal/result"
)

type reading struct {
	Name   string   `parquet:"name,dict"`
	Value  *float64 `parquet:"value_kpa,optional"`
	Inside *bool    `parquet:"inside,optional"`
	Pulls  int64    `parquet:"pulls"`
}

var readings = []reading{
	{Name: "boost, \"peak\"", Value: Known(0.1), Inside: Some(false), Pulls: 3},
	{Name: "line\nbreak", Value: Known(result.Unknown()), Pulls: -1},
}

// TestCSV: names come from the tags, fields are quoted as RFC 4180 says, and what is not known is empty.
func TestCSV(t *testing.T) {
	var b bytes.Buffer
	if err := CSV(&b, readings); err != nil {
		t.Fatal(err)
	}
	want := "name,value_kpa,inside,pulls\n\"boost, \"\"peak\"\"\",0.1,false,3\n\"line\nbreak\",,,-1\n"
	if b.String() != want {
		t.Errorf("%q, want %q", b.String(), want)
	}
}

// TestParquet reads the file back, missing values and stamp included.
func TestParquet(t *testing.T) {
	var b bytes.Buffer
	stamp := result.Stamp{Schema: "headroom/readings/1", ToolVersion: "0.1.0", WorkspaceDigest: "9f2b", Seed: 7}
	if err := Parquet(&b, stamp, readings); err != nil {
		t.Fatal(err)
	}
	got, err := parquet.Read[reading](bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil || !reflect.DeepEqual(got, readings) {
		t.Errorf("read back %+v, %v", got, err)
	}
	f, err := parquet.OpenFile(bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string]string{"schema": "headroom/readings/1", "tool_version": "0.1.0",
		"workspace_digest": "9f2b", "seed": "7"} {
		if got, _ := f.Lookup(key); got != want {
			t.Errorf("%s is %q, want %q", key, got, want)
		}
	}
}

// TestJSON: a list without entries is [] at any depth, what is not known is null, and the result itself is left alone.
func TestJSON(t *testing.T) {
	type part struct {
		Names []string      `json:"names"`
		Value result.Number `json:"value"`
	}
	type whole struct {
		Parts []part `json:"parts"`
		One   *part  `json:"one"`
		None  *part  `json:"none"`
		Any   []any  `json:"any"`
	}
	in := whole{Parts: []part{{Value: result.Unknown()}}, One: &part{Names: []string{"<a>"}, Value: 1},
		Any: []any{part{Value: 2}, nil}}
	var b bytes.Buffer
	if err := JSON(&b, in); err != nil {
		t.Fatal(err)
	}
	want := `{
  "parts": [
    {
      "names": [],
      "value": null
    }
  ],
  "one": {
    "names": [
      "<a>"
    ],
    "value": 1
  },
  "none": null,
  "any": [
    {
      "names": [],
      "value": 2
    },
    null
  ]
}
`
	if b.String() != want {
		t.Errorf("%s, want %s", b.String(), want)
	}
	if in.Parts[0].Names != nil {
		t.Error("the result was changed")
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("no space left") }

func TestFullDisk(t *testing.T) {
	for i, err := range []error{CSV(full{}, readings), Parquet(full{}, result.Stamp{}, readings), JSON(full{}, 1)} {
		if err == nil {
			t.Errorf("writer %d: a write error was lost", i)
		}
	}
}

// A spreadsheet takes text that begins with one of these signs for a formula. Numbers stay numbers.
func TestTextOfCSVIsNoFormula(t *testing.T) {
	for _, name := range []string{"=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "=", "plain", "a=b", ""} {
		var b bytes.Buffer
		if err := CSV(&b, []reading{{Name: name, Value: Known(-2.5), Pulls: -3}}); err != nil {
			t.Fatal(err)
		}
		cells, err := csv.NewReader(&b).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		row := cells[1]
		if row[0] != name && row[0] != "'"+name || row[0] != "" && strings.ContainsAny(row[0][:1], "=+-@\t\r\n") {
			t.Errorf("%q is written as %q", name, row[0])
		}
		if row[1] != "-2.5" || row[3] != "-3" {
			t.Errorf("numbers are written as %q and %q", row[1], row[3])
		}
	}
}
