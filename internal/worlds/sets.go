package worlds

import (
	"fmt"
	"os"
	"strconv"
	"strings"
)

// Set is which fleets a proof looks at, and how much of each.
type Set struct {
	Name      string
	Seeds     []uint64
	Proposals int // a fleet
	cars      int // 0: by the seed
}

// ProofUsed says how often the proof set has been looked at. Whoever runs it with HEADROOM_WORLDS=proof changes this.
const ProofUsed = "never"

// setProposals is a fleet's share of what a proof needs: 1008 on the twelve fleets of the proof set.
const setProposals = 84

// DevelopmentSet is looked at as often as one likes.
func DevelopmentSet() Set {
	return Set{"development", []uint64{1, 2, 3, 4, 5, 6, 7, 8}, setProposals, 0}
}

// ProofSet is for proving: each look uses it up a little.
func ProofSet() Set {
	return Set{"proof", []uint64{101, 102, 103, 104, 105, 106, 107, 108, 109, 110, 111, 112}, setProposals, 0}
}

// AskedSet is the set that HEADROOM_WORLDS names: dev, which is also meant without it, or proof. HEADROOM_WORLDS_SIZE =
// fleets,cars,proposals takes the first fleets of the development set, with so many cars and proposals each, for a look
// while something is built. It fails where either is neither.
func AskedSet() (Set, error) {
	set := DevelopmentSet()
	switch which := os.Getenv("HEADROOM_WORLDS"); which {
	case "", "dev":
	case "proof":
		return ProofSet(), nil
	default:
		return set, fmt.Errorf("HEADROOM_WORLDS=%q: dev or proof", which)
	}
	size := os.Getenv("HEADROOM_WORLDS_SIZE")
	if size == "" {
		return set, nil
	}
	var n []int
	for _, part := range strings.Split(size, ",") {
		v, err := strconv.Atoi(part)
		if err != nil || v < 1 {
			return set, fmt.Errorf("HEADROOM_WORLDS_SIZE=%q: give fleets,cars,proposals", size)
		}
		n = append(n, v)
	}
	if len(n) != 3 {
		return set, fmt.Errorf("HEADROOM_WORLDS_SIZE=%q: give fleets,cars,proposals", size)
	}
	set.Seeds, set.cars, set.Proposals = set.Seeds[:min(n[0], len(set.Seeds))], n[1], n[2]
	return set, nil
}

// Fleet are the options of one of the set's fleets: 24 to 100 cars by its seed, where no number was asked for.
func (s *Set) Fleet(seed uint64) Options {
	cars := s.cars
	if cars == 0 {
		cars = 24 + int(seed*29%77)
	}
	return Options{Seed: seed, Cars: cars}
}

// Used says on a proof's page which set it is of and how often the proof set has been used.
func (s *Set) Used() string {
	proof := ProofSet()
	return fmt.Sprintf("This page: the **%s** set, seeds %d to %d.\n", s.Name, s.Seeds[0], s.Seeds[len(s.Seeds)-1]) +
		fmt.Sprintf("The proof set (seeds %d to %d) has been used: **%s**.\n", proof.Seeds[0],
			proof.Seeds[len(proof.Seeds)-1], ProofUsed)
}
