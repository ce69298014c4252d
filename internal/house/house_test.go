package house

import (
	"bufio"
	"bytes"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const (
	root   = "../.."
	module = "headroom/"
)

// sources are the project's Go files by package folder, slash-separated and relative to the root.
func sources(t *testing.T) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	for _, top := range []string{"cmd", "internal", "models"} {
		err := filepath.WalkDir(filepath.Join(root, top), func(file string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || filepath.Ext(file) != ".go" {
				return err
			}
			rel, err := filepath.Rel(root, file)
			if err != nil {
				return err
			}
			rel = filepath.ToSlash(rel)
			out[path.Dir(rel)] = append(out[path.Dir(rel)], rel)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// imports are the import paths of a package's files, tests left out, sorted.
func imports(t *testing.T, files []string) []string {
	t.Helper()
	found := map[string]bool{}
	for _, f := range files {
		if strings.HasSuffix(f, "_test.go") {
			continue
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), filepath.Join(root, f), nil, parser.ImportsOnly)
		if err != nil {
			t.Fatal(err)
		}
		for _, spec := range parsed.Imports {
			name, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				t.Fatal(err)
			}
			found[name] = true
		}
	}
	return slices.Sorted(maps.Keys(found))
}

// tableRow is a package of DEVELOPERS.md's table: its folder, the question it answers and what it imports.
var tableRow = regexp.MustCompile("^\\| `((?:cmd|internal|models)/[a-z/]+)` \\| (.+) \\| (.*) \\|$")

// Each package has a row in the table of DEVELOPERS.md with exactly the project's packages that it imports, as
// `name`, internal/ left away. The error gives the row as it should be.
func TestImportTable(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	stated, questions := map[string]string{}, map[string]string{}
	for _, line := range strings.Split(string(text), "\n") {
		if m := tableRow.FindStringSubmatch(line); m != nil {
			questions[m[1]], stated[m[1]] = m[2], m[3]
		}
	}
	packages := sources(t)
	for _, folder := range slices.Sorted(maps.Keys(packages)) {
		var names []string
		for _, name := range imports(t, packages[folder]) {
			if own, ok := strings.CutPrefix(name, module); ok {
				names = append(names, "`"+strings.TrimPrefix(own, "internal/")+"`")
			}
		}
		want := strings.Join(names, " ")
		if want == "" {
			want = "–"
		}
		if stated[folder] != want {
			t.Errorf("DEVELOPERS.md should say: | `%s` | %s | %s |", folder, questions[folder], want)
		}
	}
	for folder := range stated {
		if packages[folder] == nil {
			t.Errorf("DEVELOPERS.md has a row for %s, which is no package", folder)
		}
	}
}

// A model has no file access, no clock, no logging and takes its randomness from the caller; what it needs of the
// project is another model.
func TestModelsArePure(t *testing.T) {
	forbidden := []string{"os", "io/fs", "path/filepath", "log", "log/slog", "time", "math/rand", "net", "net/http"}
	for folder, files := range sources(t) {
		if !strings.HasPrefix(folder, "models/") {
			continue
		}
		for _, name := range imports(t, files) {
			own, ofProject := strings.CutPrefix(name, module)
			if slices.Contains(forbidden, name) || ofProject && !strings.HasPrefix(own, "models/") {
				t.Errorf("%s imports %s", folder, name)
			}
		}
	}
}

// widest is how wide a line of Go may be, columns, a tab counting four.
const widest = 120

func TestLinesAreReadable(t *testing.T) {
	for _, files := range sources(t) {
		for _, f := range files {
			data, err := os.ReadFile(filepath.Join(root, f))
			if err != nil {
				t.Fatal(err)
			}
			lines := bufio.NewScanner(bytes.NewReader(data))
			for n := 1; lines.Scan(); n++ {
				if w := len([]rune(strings.ReplaceAll(lines.Text(), "\t", "    "))); w > widest {
					t.Errorf("%s:%d is %d columns wide, at most %d", f, n, w, widest)
				}
			}
		}
	}
}

// namedPath is a path of the project in running text.
var namedPath = regexp.MustCompile(`\b(?:cmd|internal|models|docs|testdata)/[A-Za-z0-9_][A-Za-z0-9_/.-]*[A-Za-z0-9_]`)

// A page that names a file or folder of the project names one that is there.
func TestNamedPathsExist(t *testing.T) {
	pages, err := filepath.Glob(filepath.Join(root, "docs", "*.md"))
	if err != nil || len(pages) == 0 {
		t.Fatal("no pages", err)
	}
	pages = append(pages, filepath.Join(root, "README.md"), filepath.Join(root, "DEVELOPERS.md"))
	for _, page := range pages {
		text, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range namedPath.FindAllString(string(text), -1) {
			if _, err := os.Stat(filepath.Join(root, filepath.FromSlash(name))); err != nil {
				t.Errorf("%s names %s, which is not there", filepath.Base(page), name)
			}
		}
	}
}
