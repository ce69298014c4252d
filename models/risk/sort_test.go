package risk

import (
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestSortChances(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		chance := rapid.OneOf(rapid.Float64Range(0, 1), rapid.SampledFrom([]float64{0, 1, 0.5, 1e-300, 5e-324}))
		v := rapid.SliceOfN(chance, 0, 200).Draw(t, "chances")
		want := slices.Clone(v)
		slices.Sort(want)
		if sortChances(v); !slices.Equal(v, want) {
			t.Fatalf("%v, want %v", v, want)
		}
	})
}

func BenchmarkSortChances(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	all := make([]float64, trustPairs)
	for i := range all {
		all[i] = rng.Float64()
	}
	for name, sort := range map[string]func([]float64){
		"by steps": sortChances, "by comparing": slices.Sort[[]float64],
	} {
		b.Run(name, func(b *testing.B) {
			v := make([]float64, len(all))
			for b.Loop() {
				copy(v, all)
				sort(v)
			}
		})
	}
}
