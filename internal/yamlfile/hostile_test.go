package yamlfile

import (
	"fmt"
	"runtime"
	"strings"
	"testing"
)

// What a stranger may write takes a bounded amount of memory, whatever it is.
func TestHostileFilesTakeBoundedMemory(t *testing.T) {
	keys := func(n int) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, "k%d: 1\n", i)
		}
		return b.String()
	}
	const budget = 512 << 20
	for name, text := range map[string]string{
		"100 kB of brackets": strings.Repeat("[", 100_000), "brackets in lines": strings.Repeat("[\n", 4000),
		"braces": strings.Repeat("{a: ", 5000), "a wide line": "a: [" + strings.Repeat("1,", 50_000) + "1]",
		"documents": strings.Repeat("---\na: 1\n", 100_000), "keys": keys(80_000), "as many keys as may be": keys(4999),
		"aliases":     "a: &a [1]\n" + strings.Repeat("b: *a\n", 100_000),
		"a long text": "a: " + strings.Repeat("x", 1<<20),
		"deep lines":  strings.Repeat(strings.Repeat("[", 2000)+strings.Repeat("]", 2000)+",\n", 60),
	} {
		var before, after runtime.MemStats
		var dst struct {
			A int `yaml:"a"`
		}
		runtime.ReadMemStats(&before)
		_, f := Decode("x.yaml", []byte(text), &dst)
		runtime.ReadMemStats(&after)
		if f == nil || f.Remedy == "" {
			t.Errorf("%s: %v, want a fault with its remedy", name, f)
		}
		if took := after.TotalAlloc - before.TotalAlloc; took > budget {
			t.Errorf("%s: took %d MiB", name, took>>20)
		}
	}
}
