package workspace

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func FuzzParseTable(f *testing.F) {
	f.Add([]byte("load / rpm,1000,2000\n50,1,2\n100,3,4\n"), true)
	f.Add([]byte("\xef\xbb\xbfrpm;1000;2000,5\nx;1;2,5\n"), false)
	f.Add([]byte("\"a,b\"\t1\t2\n\n,,,\n\"\t1"), true)
	f.Add([]byte(",1,2\n1,1e999,0x10\n"), true)
	f.Fuzz(func(t *testing.T, data []byte, hasY bool) {
		table, p := parseTable("t.csv", data, hasY)
		if (table == nil) == (p == nil) {
			t.Fatal("either a table or a problem")
		}
		if p != nil {
			if p.What == "" || p.Remedy == "" {
				t.Errorf("problem without what or remedy: %+v", p)
			}
			return
		}
		if err := table.Check(); err != nil {
			t.Error(err)
		}
		if hasY != (table.Y != nil) {
			t.Error("y breakpoints exactly when a y axis is given")
		}
	})
}

func FuzzReadPlatform(f *testing.F) {
	f.Add([]byte("id: a\nengine: {cylinders: 4}\nlimits:\n- {hazard: lean, metric: lambda, unit: AFR, value: 1}\n"))
	f.Add([]byte("id: &x a\nname: *x\nengine: !!map {}\nlags: {? a : 1}\n"))
	f.Add([]byte("<<: {id: a}\nlimits: [[], {at: [1, 2], values: [.nan, -.inf]}]\n"))
	f.Add([]byte("\"engine\":\n- 1\n---\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, problems := readPlatform("platforms/a.yaml", "a", data, Defaults())
		if p == nil && len(problems) == 0 {
			t.Error("a platform that is left out needs a problem")
		}
		for _, q := range problems {
			if q.What == "" || q.Remedy == "" {
				t.Errorf("problem without what or remedy: %+v", q)
			}
		}
	})
}

func FuzzReadList(f *testing.F) {
	f.Add([]byte("vehicle,platform,fuel\na,b,c\n"))
	f.Add([]byte("# note\nvehicle;platform;fuel;note 1\n\"a\nb\";;;\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		rows, problems := readList("vehicles.csv", data, vehicleColumns[:3], vehicleColumns)
		for _, r := range rows {
			if r.line < 1 {
				t.Errorf("row on line %d", r.line)
			}
		}
		for _, p := range problems {
			if p.Remedy == "" {
				t.Errorf("problem without remedy: %+v", p)
			}
		}
	})
}

// A table written as any spreadsheet would write it is read back.
func TestTableRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		delimiter := rapid.SampledFrom([]string{",", ";", "\t"}).Draw(t, "delimiter")
		newline := rapid.SampledFrom([]string{"\n", "\r\n"}).Draw(t, "newline")
		comma := delimiter != "," && rapid.Bool().Draw(t, "decimal comma")
		cell := func(v int) string { // hundredths
			s := strings.TrimSuffix(strings.TrimSuffix(formatHundredths(v), "0"), ".0")
			if comma {
				s = strings.ReplaceAll(s, ".", ",")
			}
			return s
		}
		value := rapid.IntRange(-100000, 100000)
		x := rapid.SliceOfNDistinct(value, 1, 6, rapid.ID).Draw(t, "x")
		y := rapid.SliceOfNDistinct(value, 1, 6, rapid.ID).Draw(t, "y")
		slices.Sort(x)
		slices.Sort(y)
		rows := []string{"corner"}
		for _, v := range x {
			rows[0] += delimiter + cell(v)
		}
		want := make([][]float64, len(y))
		for j := range y {
			row := cell(y[j])
			for range x {
				v := value.Draw(t, "z")
				want[j] = append(want[j], float64(v)/100)
				row += delimiter + cell(v)
			}
			rows = append(rows, row)
		}
		table, p := parseTable("t.csv", []byte(strings.Join(rows, newline)), true)
		if p != nil {
			t.Fatalf("%v\n%s", p, strings.Join(rows, newline))
		}
		for j := range y {
			for i := range x {
				if math.Abs(table.Z[j][i]-want[j][i]) > 1e-9 || table.X[i] != float64(x[i])/100 ||
					table.Y[j] != float64(y[j])/100 {
					t.Fatalf("read %v, wrote\n%s", table, strings.Join(rows, newline))
				}
			}
		}
	})
}

func formatHundredths(v int) string { return strconv.FormatFloat(float64(v)/100, 'f', 2, 64) }
