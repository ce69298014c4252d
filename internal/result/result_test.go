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
