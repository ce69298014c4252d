package result

import (
	"encoding/json"
	"math"
	"testing"
)

// Numbers that are not known are null in JSON and NaN when read back.
func TestNumberJSON(t *testing.T) {
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		b, err := json.Marshal(Number(v))
		if err != nil || string(b) != "null" {
			t.Errorf("%v is written %s, %v", v, b, err)
		}
	}
	var n Number
	if err := json.Unmarshal([]byte("null"), &n); err != nil || n.Known() {
		t.Errorf("null is read as %v, %v", n, err)
	}
	if err := json.Unmarshal([]byte("1.5"), &n); err != nil || n != 1.5 {
		t.Errorf("1.5 is read as %v, %v", n, err)
	}
}

type told struct {
	Cars []string `json:"cars"`
}

func (told) Code() string { return "told" }

type bare struct{}

func (bare) Code() string { return "bare" }

// Each reason is an object of its fields with its code in front, and its texts are left as they are.
func TestReasonsJSON(t *testing.T) {
	for _, c := range []struct {
		of   Reasons
		want string
	}{
		{nil, `[]`}, {Reasons{bare{}}, `[{"code":"bare"}]`},
		{Reasons{told{[]string{"<a> & b"}}, bare{}}, `[{"code":"told","cars":["<a> & b"]},{"code":"bare"}]`},
	} {
		got, err := c.of.MarshalJSON()
		if err != nil || string(got) != c.want {
			t.Errorf("written %s, %v; want %s", got, err, c.want)
		}
	}
	r := Reasons{bare{}}
	if err := r.UnmarshalJSON([]byte(`[{"code":"bare"}]`)); err != nil || r != nil {
		t.Errorf("read back as %v, %v", r, err)
	}
}
