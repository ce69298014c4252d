package store

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"headroom/internal/evidence"
)

// unmeasured returns a row in which every float is NaN.
func unmeasured() evidence.Row {
	var r evidence.Row
	v := reflect.ValueOf(&r).Elem()
	for i := range v.NumField() {
		if f := v.Field(i); f.Kind() == reflect.Float64 {
			f.SetFloat(math.NaN())
		}
	}
	return r
}

func rowsOf(platform, vehicle, revision, run string, n int) []evidence.Row {
	rows := make([]evidence.Row, n)
	for i := range rows {
		r := unmeasured()
		r.Platform, r.Vehicle, r.Revision, r.Run = platform, vehicle, revision, run
		r.Kind, r.LoadSource, r.KnockLogged = evidence.KindPull, evidence.LoadLogged, i%2 == 0
		r.Segment, r.RPMLow, r.LoadLow = int32(i/4), float64(i%4)*500, 100
		r.RPM, r.SparkMax, r.KnockEvents = r.RPMLow+250, 12.5-float64(i), int32(i%3)
		rows[i] = r
	}
	return rows
}

// fill ingests three fixed logs.
func fill(t *testing.T, dir string) *Store {
	t.Helper()
	s := open(t, dir)
	unlock, err := s.Lock()
	if err != nil {
		t.Fatal(err)
	}
	put(t, s, "runs/a/r1/one.csv", "p1", "a", "r1", 9)
	put(t, s, "runs/b/r1/two.csv", "p1", "b", "r1", 3)
	put(t, s, "runs/c/r2/three.csv", "p2/x", "c", "r2", 5)
	if err := errors.Join(s.Commit(), unlock()); err != nil {
		t.Fatal(err)
	}
	return s
}

func open(t *testing.T, dir string) *Store {
	t.Helper()
	s, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func put(t *testing.T, s *Store, path, platform, vehicle, revision string, n int) {
	t.Helper()
	source := Source{
		Path: path, Size: 10, ModTime: time.Date(2026, 3, 4, 5, 6, 7, 8, time.UTC), SHA256: hexSum([]byte(path)),
		Platform: platform, Vehicle: vehicle, Revision: revision, Setup: "s", Status: StatusOK,
	}
	if err := s.Put(source, rowsOf(platform, vehicle, revision, path, n)); err != nil {
		t.Fatal(err)
	}
}

// tree maps every file below dir to its content.
func tree(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(name)
		rel, _ := filepath.Rel(dir, name)
		out[filepath.ToSlash(rel)] = string(data)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func write(t *testing.T, name string, data []byte) {
	t.Helper()
	if err := errors.Join(os.MkdirAll(filepath.Dir(name), 0o755), os.WriteFile(name, data, 0o644)); err != nil {
		t.Fatal(err)
	}
}

func TestRowsComeBackAsTheyWentIn(t *testing.T) {
	dir := t.TempDir()
	fill(t, dir)
	s := open(t, dir) // another process
	got, err := s.Rows(Filter{})
	if err != nil {
		t.Fatal(err)
	}
	want := rowsOf("p1", "a", "r1", "runs/a/r1/one.csv", 9)
	want = append(want, rowsOf("p1", "b", "r1", "runs/b/r1/two.csv", 3)...)
	want = append(want, rowsOf("p2/x", "c", "r2", "runs/c/r2/three.csv", 5)...)
	if diff := cmp.Diff(want, got, cmpopts.EquateNaNs()); diff != "" {
		t.Errorf("rows differ (-want +got):\n%s", diff)
	}
}

// Every float of a row is told apart from not measured: NaN stays NaN, zero stays zero.
func TestNotMeasuredIsNotZero(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	unlock, err := s.Lock()
	if err != nil {
		t.Fatal(err)
	}
	defer unlock()
	nan := unmeasured()
	zero := evidence.Row{Segment: 1}
	if err := s.Put(Source{Path: "x", Status: StatusOK}, []evidence.Row{nan, zero}); err != nil {
		t.Fatal(err)
	}
	got, err := s.Rows(Filter{})
	if err != nil {
		t.Fatal(err)
	}
	for i, wantNaN := range []bool{true, false} {
		v := reflect.ValueOf(got[i])
		for f := range v.NumField() {
			if v.Field(f).Kind() == reflect.Float64 && math.IsNaN(v.Field(f).Float()) != wantNaN {
				t.Errorf("row %d, %s reads %v", i, v.Type().Field(f).Name, v.Field(f).Float())
			}
		}
	}
}

func TestFilterReadsItsPartitionOnly(t *testing.T) {
	dir := t.TempDir()
	s := fill(t, dir)
	for _, c := range []struct {
		filter Filter
		want   int
	}{
		{Filter{Platform: "p1"}, 12},
		{Filter{Platform: "p2/x"}, 5},
		{Filter{Platform: "p1", Vehicle: "b"}, 3},
		{Filter{Revision: "r1"}, 12},
		{Filter{Platform: "p1", Revision: "r2"}, 0},
	} {
		got, err := s.Rows(c.filter)
		if err != nil || len(got) != c.want {
			t.Errorf("%+v: %d rows, %v, want %d", c.filter, len(got), err, c.want)
		}
	}
	// A platform can be read while another's partition is gone.
	if err := os.RemoveAll(filepath.Join(dir, evidenceDir, "platform=p1")); err != nil {
		t.Fatal(err)
	}
	if got, err := s.Rows(Filter{Platform: "p2/x"}); err != nil || len(got) != 5 {
		t.Errorf("p2/x without p1: %d rows, %v", len(got), err)
	}
	if _, err := s.Rows(Filter{Platform: "p1"}); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("p1 without its parts: error %v, want not exist", err)
	}
}

func TestSameInputSameBytes(t *testing.T) {
	one, two := t.TempDir(), t.TempDir()
	fill(t, one)
	s := open(t, two)
	unlock, err := s.Lock()
	if err != nil {
		t.Fatal(err)
	}
	// Other order, other intermediate states, several commits.
	put(t, s, "runs/gone/r1/x.csv", "p9", "gone", "r1", 4)
	put(t, s, "runs/c/r2/three.csv", "p2/x", "c", "r2", 7)
	if err := s.Commit(); err != nil {
		t.Fatal(err)
	}
	put(t, s, "runs/b/r1/two.csv", "p1", "b", "r1", 3)
	put(t, s, "runs/c/r2/three.csv", "p2/x", "c", "r2", 5)
	put(t, s, "runs/a/r1/one.csv", "p1", "a", "r1", 9)
	if err := errors.Join(s.Remove("runs/gone/r1/x.csv"), s.Commit(), unlock()); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(tree(t, one), tree(t, two)); diff != "" {
		t.Errorf("stores differ:\n%.2000s", diff)
	}
	if entries, err := os.ReadDir(filepath.Join(two, evidenceDir)); err != nil || len(entries) != 2 {
		t.Errorf("partition directories after removal: %v, %v", entries, err)
	}
}

func TestDigestFollowsContentNotTime(t *testing.T) {
	dir := t.TempDir()
	s := fill(t, dir)
	before := digest(t, s)
	unlock, err := s.Lock()
	if err != nil {
		t.Fatal(err)
	}
	touched, _ := s.Source("runs/a/r1/one.csv")
	touched.ModTime = touched.ModTime.Add(time.Hour)
	if err := s.Touch(touched); err != nil {
		t.Fatal(err)
	}
	if digest(t, s) != before {
		t.Error("digest changed with a modification time")
	}
	put(t, s, "runs/a/r1/one.csv", "p1", "a", "r1", 8)
	if digest(t, s) == before {
		t.Error("digest did not change with the rows")
	}
	if err := unlock(); err != nil {
		t.Fatal(err)
	}
	if digest(t, s) != before {
		t.Error("what was not committed outlived the lock")
	}
}

func digest(t *testing.T, s *Store) string {
	t.Helper()
	d, err := s.Digest()
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// A writer that is killed leaves parts and temporary files that no catalogue names, and the catalogue of before.
func TestKilledWriterLeavesThePreviousState(t *testing.T) {
	dir := t.TempDir()
	fill(t, dir)
	before := tree(t, dir)

	victim := open(t, dir)
	unlock, err := victim.Lock()
	if err != nil {
		t.Fatal(err)
	}
	put(t, victim, "runs/a/r1/one.csv", "p1", "a", "r1", 2)
	put(t, victim, "runs/d/r1/new.csv", "p3", "d", "r1", 2)
	if err := victim.lock.Unlock(); err != nil { // what the kernel does for a dead process; no commit, no tidying
		t.Fatal(err)
	}
	_ = unlock
	write(t, filepath.Join(dir, ".catalogue.jsonl123456"), []byte("{\"schema\":\"headro"))
	write(t, filepath.Join(dir, evidenceDir, "platform=p1", "vehicle=a", ".part-0011.parquet99"), []byte("PAR1"))

	reader := open(t, dir)
	if rows, err := reader.Rows(Filter{}); err != nil || len(rows) != 17 {
		t.Errorf("after the kill: %d rows, %v, want the 17 of before", len(rows), err)
	}
	faults := verify(t, reader)
	if n := strings.Count(fmt.Sprint(kinds(faults)), MismatchOrphan); n != 4 {
		t.Errorf("%d orphans reported, want 4: %v", n, faults)
	}
	next := open(t, dir)
	unlock, err = next.Lock()
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(next.Commit(), unlock()); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(before, tree(t, dir)); diff != "" {
		t.Errorf("the next writer did not restore the store:\n%.1000s", diff)
	}
}

func TestSecondWriterIsRefused(t *testing.T) {
	dir := t.TempDir()
	first, second := open(t, dir), open(t, dir)
	unlock, err := first.Lock()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := second.Lock(); !errors.Is(err, ErrLocked) {
		t.Errorf("second writer: %v, want ErrLocked", err)
	}
	put(t, first, "runs/a/r1/one.csv", "p1", "a", "r1", 2)
	if err := errors.Join(first.Commit(), unlock()); err != nil {
		t.Fatal(err)
	}
	unlock, err = second.Lock()
	if err != nil {
		t.Fatal(err)
	}
	defer unlock()
	if _, ok := second.Source("runs/a/r1/one.csv"); !ok {
		t.Error("the second writer does not see what the first wrote before it")
	}
	if err := first.Put(Source{Path: "x"}, nil); err == nil {
		t.Error("writing without the lock is accepted")
	}
}

// A reader that opened before a rewrite finds the new part.
func TestReaderFollowsAWriter(t *testing.T) {
	dir := t.TempDir()
	s := fill(t, dir)
	reader := open(t, dir)
	unlock, err := s.Lock()
	if err != nil {
		t.Fatal(err)
	}
	put(t, s, "runs/a/r1/one.csv", "p1", "a", "r1", 2)
	if err := errors.Join(s.Commit(), unlock()); err != nil {
		t.Fatal(err)
	}
	if rows, err := reader.Rows(Filter{Vehicle: "a"}); err != nil || len(rows) != 2 {
		t.Errorf("%d rows, %v, want 2", len(rows), err)
	}
}

func verify(t *testing.T, s *Store) []Mismatch {
	t.Helper()
	faults, err := s.Verify(1<<30, func(path string) (string, bool) {
		name := filepath.Join(s.root, "..", filepath.Base(s.root)+"-logs", filepath.Base(path))
		return name, true
	})
	if err != nil {
		t.Fatal(err)
	}
	return faults
}

func kinds(faults []Mismatch) []string {
	var out []string
	for _, f := range faults {
		out = append(out, f.Kind)
	}
	return out
}

func TestVerifyNamesEachFault(t *testing.T) {
	base := t.TempDir()
	dir, logs := filepath.Join(base, "store"), filepath.Join(base, "store-logs")
	s := fill(t, dir)
	for _, source := range s.Catalogue() { // the digest of the test's logs is that of their path
		write(t, filepath.Join(logs, filepath.Base(source.Path)), []byte(source.Path))
	}
	if faults := verify(t, s); len(faults) != 0 {
		t.Fatalf("a sound store has faults: %v", faults)
	}
	part := func(path string) string {
		source, ok := s.Source(path)
		if !ok {
			t.Fatal(path)
		}
		return filepath.Join(dir, source.Part)
	}
	if err := os.Remove(part("runs/a/r1/one.csv")); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(part("runs/b/r1/two.csv"))
	if err != nil {
		t.Fatal(err)
	}
	data[len(data)/2] ^= 1
	write(t, part("runs/b/r1/two.csv"), data)
	write(t, filepath.Join(logs, "three.csv"), []byte("another drive"))
	if err := os.Remove(filepath.Join(logs, "two.csv")); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, evidenceDir, "platform=p1", "stray.parquet"), []byte("x"))
	got := kinds(verify(t, s))
	want := []string{MismatchPartMissing, MismatchPartChanged, MismatchSourceMissing, MismatchSourceChanged,
		MismatchOrphan}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("faults (-want +got):\n%s", diff)
	}
	if _, err := s.Rows(Filter{Vehicle: "b"}); err == nil || !strings.Contains(err.Error(), "SHA-256") {
		t.Errorf("a changed part is read: %v", err)
	}
	if _, err := s.Digest(); err == nil {
		t.Error("a digest is given for a store with a missing part")
	}
}

func TestEvidenceOfOtherRulesIsNotRead(t *testing.T) {
	dir := t.TempDir()
	fill(t, dir)
	name := filepath.Join(dir, catalogueName)
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	write(t, name, bytes.ReplaceAll(data, []byte(EvidenceVersion()), []byte("evidence/0+00000000")))
	s := open(t, dir)
	if _, err := s.Rows(Filter{}); err == nil || !strings.Contains(err.Error(), "ingest") {
		t.Errorf("rows made by other rules are read: %v", err)
	}
}

func TestBrokenCatalogueNamesItsLine(t *testing.T) {
	header := `{"schema":"headroom/catalogue/1"}` + "\n"
	for name, c := range map[string]struct{ data, want string }{
		"empty":  {"", "is empty"},
		"other":  {`{"schema":"x/1"}` + "\n", "line 1"},
		"cut":    {header + `{"path":"a"}` + "\n" + `{"path":`, "line 3"},
		"twice":  {header + `{"path":"a"}` + "\n" + `{"path":"a"}` + "\n", "line 3 names a a second time"},
		"noname": {header + `{}` + "\n", "line 2 names no path"},
	} {
		dir := t.TempDir()
		write(t, filepath.Join(dir, catalogueName), []byte(c.data))
		if _, err := Open(dir); err == nil || !strings.Contains(err.Error(), c.want) ||
			!strings.Contains(err.Error(), "ingest again") {
			t.Errorf("%s: error %v, want %q and the remedy", name, err, c.want)
		}
	}
}

func TestRowsOfAnotherCarAreRefused(t *testing.T) {
	s := open(t, t.TempDir())
	unlock, err := s.Lock()
	if err != nil {
		t.Fatal(err)
	}
	defer unlock()
	err = s.Put(Source{Path: "x", Platform: "p1", Vehicle: "a"}, rowsOf("p1", "b", "r", "x", 1))
	if err == nil || !strings.Contains(err.Error(), `"b"`) {
		t.Errorf("error %v, want one naming both cars", err)
	}
}

// Expected values by hand after Hive's rule: %XX of the byte.
func TestEscape(t *testing.T) {
	for in, want := range map[string]string{
		"kestrel-20t": "kestrel-20t", "a/b": "a%2Fb", "x=1": "x%3D1", "ä": "%C3%A4", "": "__HIVE_DEFAULT_PARTITION__",
		"50%": "50%25",
	} {
		if got := Escape(in); got != want {
			t.Errorf("Escape(%q) = %q, want %q", in, got, want)
		}
	}
}
