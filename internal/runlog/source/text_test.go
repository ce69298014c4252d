package source

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
)

// readText reads a whole log of text.
func readText(t *testing.T, text string) (*Table, []Note) {
	t.Helper()
	rows, err := Open(Input{Reader: strings.NewReader(text)}, Limits{Bytes: 1 << 30, Cells: math.MaxInt})
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	if more, err := rows.Fill(); more || err != nil {
		t.Fatal(more, err)
	}
	return rows.Table(), rows.Notes()
}

func headers(tb *Table) []string {
	var out []string
	for _, c := range tb.Columns {
		out = append(out, c.Header)
	}
	return out
}

// The same log in every encoding gives the same table.
func TestEncodings(t *testing.T) {
	const text = "time (s);Öltemperatur (°C)\r\n0;90,5\r\n1;91\r\n2;91,5\r\n"
	encode := func(s string, err error) []byte {
		if err != nil {
			t.Fatal(err)
		}
		return []byte(s)
	}
	for name, data := range map[string][]byte{
		"UTF-8":                      []byte(text),
		"UTF-8 with byte order mark": []byte("\ufeff" + text),
		"UTF-16LE": encode(unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewEncoder().String(
			text)),
		"UTF-16BE": encode(unicode.UTF16(unicode.BigEndian, unicode.UseBOM).NewEncoder().String(
			text)),
		"Windows-1252": encode(charmap.Windows1252.NewEncoder().String(text)),
		"UTF-16LE ": encode(unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM).NewEncoder().String(
			text)),
		"UTF-16BE ": encode(unicode.UTF16(unicode.BigEndian, unicode.IgnoreBOM).NewEncoder().String(
			text)),
		"UTF-8 ": []byte(strings.ReplaceAll(text, "\r\n", "\r")), // line ends of old
	} {
		tb, _ := readText(t, string(data))
		if tb.Dialect.Encoding != strings.TrimSpace(name) || tb.Dialect.Delimiter != ";" || tb.Dialect.Decimal != "," {
			t.Errorf("%s: %+v", name, tb.Dialect)
		}
		if len(tb.Columns) != 2 || tb.Columns[1].Header != "Öltemperatur (°C)" ||
			!slices.Equal(tb.Columns[1].Values, []float64{90.5, 91, 91.5}) {
			t.Errorf("%s: %q %v", name, headers(tb), tb.Columns[1].Values)
		}
	}
	// a byte that is no UTF-8, far behind the head, does not spoil the rest
	tb, _ := readText(t, "time;note;rpm\n"+strings.Repeat("0;°;800\n", 20000)+"1;\xb0;810\n")
	if v := tb.Columns[2].Values; v[len(v)-1] != 810 {
		t.Errorf("the last value is %v", v[len(v)-1])
	}
}

func TestLayout(t *testing.T) {
	tb, notes := readText(t, "Some Logger;v3\nmade on a Tuesday\n\nTime;RPM;Boost;Load\ns;1/min;psi;%\n"+
		"0,0;1.200;-3,5;20\n0,1;1.250;-3,4;21\n0,2;1.300\nend of log\n0,3;1.350;-3,2;22;9\nTime;RPM;Boost;Load\n"+
		"0,0;1.400;-3,1;23\n0,1;1.4")
	d := tb.Dialect
	if d.HeaderLine != 4 || d.UnitsLine != 5 || d.FirstData != 6 || d.Decimal != "," || d.Delimiter != ";" {
		t.Errorf("%+v", d)
	}
	if !slices.Equal(tb.Columns[1].Values, []float64{1200, 1250, 1300, 1350, 1400}) ||
		tb.Columns[1].UnitsRow != "1/min" ||
		!slices.Equal(tb.Starts, []int{0, 4}) {
		t.Errorf("%v, starts %v", tb.Columns[1], tb.Starts)
	}
	all := fmt.Sprint(notes)
	for _, want := range []string{"the header is on line 4", "1 rows have fewer cells", "1 rows have more cells",
		"1 lines of text", "the header is repeated 1 times", "the last line (13) is cut short"} {
		if !strings.Contains(all, want) {
			t.Errorf("%q is not said in %s", want, all)
		}
	}
}

// One reading a row becomes one column a name.
func TestLongTable(t *testing.T) {
	tb, _ := readText(t, "Time (s),Name,Value,Unit\n0,RPM,800,rpm\n0,MAP,34,kPa\n1,RPM,810,rpm\n2,MAP,36,kPa\n"+
		"2,Driver,7,\n")
	want := []string{"Time (s)", "RPM (rpm)", "MAP (kPa)", "Driver"}
	if !slices.Equal(headers(tb), want) || tb.Rows != 3 || tb.Columns[3].Private == "" || tb.Columns[3].Filled != 0 {
		t.Fatalf("%q, %d rows: %+v", headers(tb), tb.Rows, tb.Columns[3])
	}
	rpm, kpa := tb.Columns[1].Values, tb.Columns[2].Values
	if rpm[0] != 800 || rpm[1] != 810 || !math.IsNaN(rpm[2]) || kpa[0] != 34 || !math.IsNaN(kpa[1]) || kpa[2] != 36 {
		t.Errorf("%v, %v", rpm, kpa)
	}
}

// In parts of a stated number of cells a log gives the same rows.
func TestParts(t *testing.T) {
	var b strings.Builder
	b.WriteString("time,rpm\n")
	for i := range 2000 {
		fmt.Fprintf(&b, "%d,%d\n", i, 800+i)
	}
	rows, err := Open(Input{Reader: strings.NewReader(b.String())}, Limits{Bytes: 1 << 20, Cells: 700})
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	tb, next := rows.Table(), 0
	for more := true; more; {
		if more, err = rows.Fill(); err != nil {
			t.Fatal(err)
		}
		if tb.Rows > 350 || tb.Columns[1].Filled != tb.Rows {
			t.Fatalf("%d rows in hand, %d filled", tb.Rows, tb.Columns[1].Filled)
		}
		for _, v := range tb.Columns[0].Values {
			if v != float64(next) {
				t.Fatalf("row %v, want %d", v, next)
			}
			next++
		}
		tb.Drop(tb.Rows)
	}
	if next != 2000 {
		t.Errorf("%d rows", next)
	}
	tb.Columns[0].Values = []float64{1, 1}
	tb.Columns[1].Values = []float64{math.NaN(), math.NaN()}
	if !tb.SameRow(0, 1) {
		t.Error("two rows without a reading are the same")
	}
	if tb.Release(); tb.Columns[0].Values != nil {
		t.Error("values are held")
	}
}

func TestCells(t *testing.T) {
	for _, c := range []struct {
		text    string
		decimal byte
		want    float64 // NaN: no number
	}{
		{"1.5", '.', 1.5}, {"-2,5", ',', -2.5}, {"1,234.5", '.', 1234.5}, {"1.234,5", ',', 1234.5}, {"1e3", '.', 1000},
		{"12%", '.', 12}, {"1'234", '.', 1234}, {"−7", '.', -7}, {"1 234", ',', 1234}, {"12,34", '.', math.NaN()},
		{"0x10", '.', math.NaN()}, {"inf", '.', math.NaN()}, {"", '.', math.NaN()}, {"1.2.3", '.', math.NaN()},
		{"0,123.4", '.', math.NaN()}, {"1e999", '.', math.NaN()},
	} {
		v, _, ok := parseNumber(c.text, c.decimal)
		if ok == math.IsNaN(c.want) || ok && v != c.want {
			t.Errorf("%q with %q: %v, %v", c.text, c.decimal, v, ok)
		}
	}
	for text, want := range map[string]float64{"00:01:02": 62, "1:02.5": 62.5, "12:00:00 AM": 0, "1:00 PM": 13 * 3600,
		"23:59:59,5": 86399.5, "01:00:00:250": 3600.25, "10:60:00": -1, "12": -1, "a:b": -1} {
		if v, _, ok := parseClock(text); ok != (want >= 0) || ok && math.Abs(v-want) > 1e-9 {
			t.Errorf("%q: %v, %v", text, v, ok)
		}
	}
	for text, open := range map[string]bool{"2026-03-04 05:06:07": false, "04-Mar-2026 05:06:07": false,
		"03/04/2026 05:06:07": true} {
		v, layout, ok := parseStamp(text, -1)
		if !ok || dayMonthOpen(layout) != open || math.Mod(v, 86400) != 5*3600+6*60+7 {
			t.Errorf("%q: %v, %v", text, v, ok)
		}
	}
}

// Identification numbers of cars (ISO 3779, the form alone) are kept nowhere.
func TestIdentificationNumbers(t *testing.T) {
	const vin = "ZZZTE5T0000000017"
	tb, _ := readText(t, "Time,RPM,Car,"+vin+"\n0,800,7,1\n1,810,"+vin+",2\n2,820,8,3\n")
	if s := fmt.Sprintf("%+v %+v", *tb.Columns[2], *tb.Columns[3]); strings.Contains(s, vin) ||
		tb.Columns[2].Filled != 0 || tb.Columns[3].Filled != 0 || tb.Columns[2].Private == "" {
		t.Error(s)
	}
	for text, want := range map[string]bool{vin: true, "zzzte5t0000000017": true, "ZZZTE5T000000001I": false,
		"12345678901234567": false, "ABCDEFGHJKLMNPRST": false, "ZZZTE5T00000000": false} {
		if looksLikeVIN(text) != want {
			t.Errorf("%q: %v", text, !want)
		}
	}
}

// TestQuotes: quotes that are nested, doubled, stray or never closed neither swallow rows nor take long.
func TestQuotes(t *testing.T) {
	head := "Time (s),RPM,Remark\n"
	for name, c := range map[string]struct {
		body   string
		rows   int
		joined bool
	}{
		"never closed": {"0,800,\"a\n1,810,b\n2,820,c\n", 3, false},
		"nested":       {"0,800,\"a \"b\" c\"\n1,810,\"x \"\"y\"\"\"\n2,820,c\n", 3, false},
		"line breaks":  {"0,800,\"a\n\nb\"\n1,810,\"x\ny, \"\"z\"\"\"\n2,820,c\n", 3, true},
		"only quotes":  {"0,800,\"\n1,810,\"\n2,820,\"\n3,830,\"\n", 4, false},
		"open all down": {strings.Repeat("0,800,\"\n", 3) + "1,801,\n" + strings.Repeat("2,802,\"open\n", 100000),
			100004, false},
		"then silence": {"0,800,\n1,801,\"" + strings.Repeat("word\n", 1<<20) + "2,802,\n", 3, false},
	} {
		tb, notes := readText(t, head+c.body)
		if tb.Rows != c.rows {
			t.Errorf("%s: %d rows, want %d", name, tb.Rows, c.rows)
			continue
		}
		said := false
		for _, n := range notes {
			said = said || strings.Contains(n.Detail, "line breaks inside quotes")
		}
		if said != c.joined {
			t.Errorf("%s: %+v", name, notes)
		}
	}
}
