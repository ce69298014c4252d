package source

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"headroom/internal/fault"
	"headroom/internal/runlog/source/mdf"
)

const mdfFolder = "mdf/testdata"

func mdfFile(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(mdfFolder, name))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// readWhole reads a log into one table, in parts of at most so many cells.
func readWhole(data []byte, limits Limits) (*Table, []Note, error) {
	rows, err := Open(Input{Reader: bytes.NewReader(data), At: bytes.NewReader(data), Size: int64(len(data))}, limits)
	if err != nil {
		return nil, nil, err
	}
	defer rows.Close()
	whole := &Table{Dialect: rows.Table().Dialect}
	var notes []Note
	for more := true; more; {
		if more, err = rows.Fill(); err != nil {
			return nil, nil, err
		}
		notes = append(notes, rows.Notes()...)
		tb := rows.Table()
		for i, c := range tb.Columns {
			if i == len(whole.Columns) {
				whole.Columns = append(whole.Columns, &Column{Header: c.Header, UnitsRow: c.UnitsRow})
			}
			whole.Columns[i].Private = c.Private
			whole.Columns[i].Values = append(whole.Columns[i].Values, c.Values...)
		}
		whole.Rows += tb.Rows
		tb.Drop(tb.Rows)
	}
	return whole, notes, nil
}

func column(t *testing.T, tb *Table, name string) *Column {
	t.Helper()
	i := slices.IndexFunc(tb.Columns, func(c *Column) bool { return c.Header == name })
	if i < 0 {
		t.Fatalf("no column %q", name)
	}
	return tb.Columns[i]
}

// Groups with time bases of their own share a row only where their stamps are equal; every reading keeps its time.
func TestMDFMergesTimeBases(t *testing.T) {
	tb, _, err := readWhole(mdfFile(t, "rates.mf4"), Limits{Bytes: 1 << 20, Cells: math.MaxInt})
	if err != nil {
		t.Fatal(err)
	}
	time := column(t, tb, "time")
	if !slices.IsSorted(time.Values) || time.UnitsRow != "s" {
		t.Errorf("time in %q is not in order", time.UnitsRow)
	}
	for name, want := range map[string]int{"engine_speed": 100, "oil_temperature": 10, "vehicle_speed": 17} {
		c, n := column(t, tb, name), 0
		for row, v := range c.Values {
			if math.IsNaN(v) {
				continue
			}
			if name == "oil_temperature" && math.Abs(time.Values[row]-(0.003+float64(n)*0.1)) > 1e-12 {
				t.Errorf("reading %d of %s at %v s", n, name, time.Values[row])
			}
			n++
		}
		if n != want || len(c.Values) != tb.Rows {
			t.Errorf("%s has %d readings in %d rows, want %d in %d", name, n, len(c.Values), want, tb.Rows)
		}
	}
}

// Columns whose time lies with another group share its rows, and that group, which has no channels, is not told as left
// out.
func TestMDFColumnsShareTheirTime(t *testing.T) {
	for name, columns := range map[string]int{"columns.mf4": 3, "columns_lists.mf4": 4, "columns_invalidation.mf4": 3,
		"time_elsewhere.mf4": 3} {
		tb, notes, err := readWhole(mdfFile(t, name), Limits{Bytes: 1 << 20, Cells: math.MaxInt})
		if err != nil {
			t.Fatal(err)
		}
		speed := column(t, tb, "engine_speed")
		if tb.Rows != 60 || len(tb.Columns) != columns || speed.Values[59] != 800+31*59 {
			t.Errorf("%s: %d rows of %d columns, speed %v at last", name, tb.Rows, len(tb.Columns), speed.Values[59])
		}
		for _, n := range notes {
			if strings.Contains(n.Detail, "left out") && !strings.Contains(n.Detail, "which is not there") {
				t.Errorf("%s: %s", name, n.Detail)
			}
		}
	}
}

// Stamps that differ by rounding alone make one row; those of one group never share one.
func TestMDFRoundedStamps(t *testing.T) {
	tb, _, err := readWhole(mdfFile(t, "rounded.mf4"), Limits{Bytes: 1 << 20, Cells: math.MaxInt})
	if err != nil {
		t.Fatal(err)
	}
	if tb.Rows != 50 || !slices.Equal(column(t, tb, "engine_speed").Values[:2], []float64{900, 901}) {
		t.Errorf("%d rows, want the 50 of the faster group", tb.Rows)
	}
	for row, v := range column(t, tb, "torque").Values {
		if math.IsNaN(v) == (row%5 == 0) {
			t.Errorf("row %d: %v", row, v)
		}
	}
}

// A log longer than the part that is held reads as a whole one does.
func TestMDFInParts(t *testing.T) {
	for _, name := range []string{"list_transposed.mf4", "rates.mf4"} {
		whole, _, err := readWhole(mdfFile(t, name), Limits{Bytes: 1 << 20, Cells: math.MaxInt})
		if err != nil {
			t.Fatal(err)
		}
		parts, _, err := readWhole(mdfFile(t, name), Limits{Bytes: 1 << 20, Cells: 1})
		if err != nil {
			t.Fatal(err)
		}
		for i, c := range whole.Columns {
			if !slices.EqualFunc(c.Values, parts.Columns[i].Values, func(a, b float64) bool {
				return a == b || math.IsNaN(a) && math.IsNaN(b)
			}) {
				t.Errorf("%s: %q differs in parts", name, c.Header)
			}
		}
	}
}

// The unit that the file states for a channel goes before one in its name; a number in brackets is none.
func TestMDFUnitInName(t *testing.T) {
	for _, c := range []struct{ name, stated, want string }{
		{"Boost (psi)", "kPa", "Boost"}, {"Boost (kPa)", "kPa", "Boost (kPa)"}, {"EGT[1]", "°C", "EGT 1"},
		{"EGT[1]", "", "EGT[1]"}, {"MAP_psi", "kPa", "MAP_psi"},
		{"Boost (psi)", "furlong", "Boost (psi)"}, {"Boost (psi)", "-", "Boost (psi)"},
	} {
		if got := heading(c.name, c.stated); got != c.want {
			t.Errorf("%q in %q: %q, want %q", c.name, c.stated, got, c.want)
		}
	}
}

// Groups left out for one reason are told together.
func TestMDFGroupsLeftOutTogether(t *testing.T) {
	var groups []*mdf.Group
	for i := range 20 {
		groups = append(groups, &mdf.Group{Name: fmt.Sprint(i + 1), Left: "it has no records"})
	}
	want := "channel group 1, 2, 3, 4, 5, 6, 7, 8 and 12 more left out: it has no records"
	if got := leftOut(groups); len(got) != 1 || got[0] != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// What is left out is said: groups and bytes in notes, channels by their reason, readings by their number.
func TestMDFLeavesOut(t *testing.T) {
	for name, want := range map[string][]string{
		"clocks.mf4": {
			"channel group 2 left out: its master channel is not time but an angle",
			"channel group 3 left out: it has no master channel",
			"4 bytes behind the last record of channel group 1",
		},
		"invalidation.mf4": {`column "engine_speed" has 6 readings that the file marks as invalid`},
		"left_out.mf4":     {`column "gear_text" has 30 readings that stand for text`},
		"partial.mf4":      {`column "range_texts" has 10 readings that stand`, `column "gears" has 3 readings`},
	} {
		tb, notes, err := readWhole(mdfFile(t, name), Limits{Bytes: 1 << 20, Cells: math.MaxInt})
		if err != nil {
			t.Fatal(err)
		}
		var said []string
		for _, n := range notes {
			said = append(said, n.Detail)
		}
		for _, w := range want {
			if !strings.Contains(strings.Join(said, "\n"), w) {
				t.Errorf("%s: %q says nothing of %q", name, said, w)
			}
		}
		switch name {
		case "left_out.mf4":
			if c := column(t, tb, "formula"); !strings.Contains(c.Private, "formula") {
				t.Errorf("formula: %q", c.Private)
			}
		case "partial.mf4": // texts that are numbers are read as such
			if c := column(t, tb, "gears"); c.Values[1] != 1 || c.Values[2] != 2 || !math.IsNaN(c.Values[0]) {
				t.Errorf("gears: %v", c.Values[:8])
			}
		}
	}
}

// A file that was cut anywhere is an error with a remedy, or reads as before where only what is not read was lost.
func TestMDFCutShort(t *testing.T) {
	for _, name := range []string{"plain_410.mf4", "list_deflated.mf4", "mixed.mf4"} {
		data := mdfFile(t, name)
		failed := 0
		for cut := 4; cut < len(data); cut += 7 {
			if _, _, err := readWhole(data[:cut], Limits{Bytes: 1 << 20, Cells: math.MaxInt}); err != nil {
				mustTell(t, err)
				failed++
			}
		}
		if failed < 5 {
			t.Errorf("%s: only %d cuts are told", name, failed)
		}
	}
}

// mustTell checks that an error is a fault with a remedy.
func mustTell(t *testing.T, err error) {
	t.Helper()
	var f *fault.Fault
	if !errors.As(err, &f) || f.What == "" || f.Remedy == "" {
		t.Errorf("%v is no fault with a remedy", err)
	}
}

// Broken files are refused before anything is believed of them.
func TestMDFRefusals(t *testing.T) {
	plain := mdfFile(t, "plain_410.mf4")
	at := func(name string) int { return bytes.Index(plain, []byte("##"+name)) }
	long := func(b []byte, at int, v uint64) { binary.LittleEndian.PutUint64(b[at:], v) }
	for say, spoil := range map[string]func(b []byte){
		"that its recorder never finished": func(b []byte) { copy(b, "UnFinMF ") },
		"is ASAM MDF of version 3.30":      func(b []byte) { binary.LittleEndian.PutUint16(b[28:], 330) },
		"links lead in a circle":           func(b []byte) { long(b, at("DG")+24, uint64(at("DG"))) },
		"a block is linked to twice":       func(b []byte) { long(b, at("CN")+24, uint64(at("CN"))) },
		"a block is expected, but":         func(b []byte) { long(b, at("DG")+32, 1<<60) },
		"there is no block":                func(b []byte) { long(b, at("DG")+32, uint64(at("DG"))+8) },
		`block "DT" claims`:                func(b []byte) { long(b, at("DT")+8, 1<<40) },
		`block "CG" claims`:                func(b []byte) { long(b, at("CG")+16, 1<<61) },
		"is cut short: group 1":            func(b []byte) { long(b, at("CG")+24+48+8, 1<<50) },
		"larger than the reader's limit":   func(b []byte) { long(b, at("CG")+24+48+24, 1<<31) },
		"lies outside its record":          func(b []byte) { binary.LittleEndian.PutUint32(b[at("CG")+24+48+24:], 3) },
		"record numbers of 3 bytes":        func(b []byte) { b[at("DG")+24+32] = 3 },
	} {
		data := slices.Clone(plain)
		spoil(data)
		_, _, err := readWhole(data, Limits{Bytes: 1 << 20, Cells: math.MaxInt})
		if err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("%v, want %q", err, say)
			continue
		}
		mustTell(t, err)
	}
	if _, _, err := readWhole(mdfFile(t, "transposed.mf4"), Limits{Bytes: 7000, Cells: math.MaxInt}); err == nil ||
		!strings.Contains(err.Error(), "more than the reader's limit of 7000 bytes") {
		t.Errorf("unpacked beyond the limit: %v", err)
	}
}

// Packed data that was damaged anywhere is told, also where only its checksum tells; a bit that means nothing changes
// nothing.
func TestMDFDamagedPacking(t *testing.T) {
	for _, name := range []string{"deflated.mf4", "transposed.mf4", "list_deflated.mf4"} {
		data := mdfFile(t, name)
		begin := bytes.Index(data, []byte("##DZ"))
		size := int(binary.LittleEndian.Uint64(data[begin+8:]))
		whole, _, err := readWhole(data, Limits{Bytes: 1 << 20, Cells: math.MaxInt})
		if err != nil {
			t.Fatal(err)
		}
		spared := 0
		for i := begin + 48; i < begin+size; i += 1 + (begin+size-i)/50 {
			bad := slices.Clone(data)
			bad[i] ^= 0x10
			read, _, err := readWhole(bad, Limits{Bytes: 1 << 20, Cells: math.MaxInt})
			if err != nil {
				mustTell(t, err)
				continue
			}
			spared++
			for k, c := range whole.Columns {
				if !slices.Equal(c.Values, read.Columns[k].Values) {
					t.Errorf("%s: damage at byte %d of %d of the block is not told", name, i-begin, size)
				}
			}
		}
		if spared > 5 {
			t.Errorf("%s: %d damages change nothing", name, spared)
		}
	}
}

// Conversions and packed data that cannot be as they claim.
func TestMDFContradictions(t *testing.T) {
	conversion := func(b []byte, kind byte) int { // where the first of a kind begins
		for at := 0; ; at++ {
			at += bytes.Index(b[at:], []byte("##CC"))
			links := int(binary.LittleEndian.Uint64(b[at+16:]))
			if b[at+24+8*links] == kind {
				return at
			}
		}
	}
	for _, c := range []struct {
		say, file string
		spoil     func(b []byte)
	}{
		{"a conversion leads back to itself", "partial.mf4", func(b []byte) {
			at := conversion(b, 7)
			binary.LittleEndian.PutUint64(b[at+24+8*4:], uint64(at))
		}},
		{"fewer values than it claims", "conversions.mf4", func(b []byte) {
			binary.LittleEndian.PutUint16(b[conversion(b, 4)+24+8*4+6:], 60000)
		}},
		{"which do not fit", "conversions.mf4", func(b []byte) {
			binary.LittleEndian.PutUint16(b[conversion(b, 4)+24+8*4+6:], 7)
		}},
		{"packed data claims", "deflated.mf4", func(b []byte) {
			binary.LittleEndian.PutUint64(b[bytes.Index(b, []byte("##DZ"))+32:], 1<<40)
		}},
		{"does not unpack to", "deflated.mf4", func(b []byte) {
			b[bytes.Index(b, []byte("##DZ"))+32] -= 1
			cg := bytes.Index(b, []byte("##CG"))
			binary.LittleEndian.PutUint64(b[cg+24+48+8:], 299)
		}},
		{"is packed in a way (9)", "deflated.mf4", func(b []byte) { b[bytes.Index(b, []byte("##DZ"))+26] = 9 }},
		{"two groups have the record number", "mixed.mf4", func(b []byte) {
			first := bytes.Index(b, []byte("##CG"))
			second := first + 4 + bytes.Index(b[first+4:], []byte("##CG"))
			copy(b[second+24+48:], b[first+24+48:][:8])
		}},
		{"has number 1, which no group has", "mixed.mf4", func(b []byte) {
			binary.LittleEndian.PutUint16(b[bytes.Index(b, []byte("##DT"))+24:], 1)
		}},
		{"claims 3 blocks and has 2 links", "columns_lists.mf4", func(b []byte) {
			at := bytes.LastIndex(b, []byte("##LD"))
			binary.LittleEndian.PutUint32(b[at+24+8*3+4:], 3)
		}},
		{"a list of data claims", "columns_invalidation.mf4", func(b []byte) {
			at := bytes.Index(b, []byte("##LD"))
			binary.LittleEndian.PutUint32(b[at+24+8*5+4:], 5)
		}},
		{"of 1 bytes of invalidation bits", "columns_invalidation.mf4", func(b []byte) {
			at := bytes.Index(b, []byte("##LD")) // the second block of bits is the first once more
			copy(b[at+24+8*4:], make([]byte, 8))
		}},
		{"60 records, and that of its time 59", "columns.mf4", func(b []byte) {
			b[bytes.Index(b, []byte("##CG"))+24+48+8] = 59 // the first is the time's
		}},
		{"columns of one group are expected", "columns.mf4", func(b []byte) {
			at := bytes.Index(b, []byte("##DG"))
			b[at+24+8*4] = 1
		}},
		{`records are expected, not block "DI"`, "columns.mf4", func(b []byte) {
			copy(b[bytes.Index(b, []byte("##DV")):], "##DI")
		}},
		{"links lead in a circle", "list.mf4", func(b []byte) {
			at := bytes.Index(b, []byte("##DL"))
			binary.LittleEndian.PutUint64(b[at+24:], uint64(at))
		}},
	} {
		data := mdfFile(t, c.file)
		c.spoil(data)
		_, _, err := readWhole(data, Limits{Bytes: 1 << 20, Cells: math.MaxInt})
		if err == nil || !strings.Contains(err.Error(), c.say) {
			t.Errorf("%v, want %q", err, c.say)
			continue
		}
		mustTell(t, err)
	}
}

// FuzzMDF: no bytes make the reader fail but by a fault with a remedy, and tables stay whole.
func FuzzMDF(f *testing.F) {
	files, err := filepath.Glob(filepath.Join(mdfFolder, "*.mf4"))
	if err != nil || len(files) < 12 {
		f.Fatalf("%d files, %v", len(files), err)
	}
	for _, file := range files {
		f.Add(mdfFile(f, filepath.Base(file)), uint32(0), uint64(0))
	}
	f.Fuzz(func(t *testing.T, data []byte, at uint32, word uint64) {
		if len(data) > 72 { // most of what a block says is a word on a place that eight divides
			data = slices.Clone(data)
			binary.LittleEndian.PutUint64(data[8+at%uint32(len(data)/8-1)*8:], word)
		}
		if !bytes.HasPrefix(data, []byte("MDF ")) {
			return
		}
		tb, notes, err := readWhole(data, Limits{Bytes: 1 << 20, Cells: 1 << 14})
		if err != nil {
			mustTell(t, err)
			return
		}
		for _, c := range tb.Columns {
			if len(c.Values) != tb.Rows {
				t.Errorf("%q has %d values in %d rows", c.Header, len(c.Values), tb.Rows)
			}
		}
		for _, n := range notes {
			if n.Detail == "" {
				t.Error("a note says nothing")
			}
		}
	})
}
