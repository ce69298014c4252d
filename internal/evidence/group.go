package evidence

import (
	"cmp"
	"fmt"
	"slices"
)

// PullRows are the rows of pulls, in the order given. They point into rows.
func PullRows(rows []Row) []*Row {
	var out []*Row
	for i := range rows {
		if rows[i].Kind == KindPull {
			out = append(out, &rows[i])
		}
	}
	return out
}

// Filter keeps the rows that keep holds of, in the order given.
func Filter(rows []*Row, keep func(*Row) bool) []*Row {
	var out []*Row
	for _, r := range rows {
		if keep(r) {
			out = append(out, r)
		}
	}
	return out
}

// PullID names the segment a row belongs to, the same for all its rows and for no other's.
func PullID(r *Row) string { return fmt.Sprintf("%s#%d", r.Run, r.Segment) }

// CountCars is how many cars the rows are of.
func CountCars(rows []*Row) int {
	seen := map[string]bool{}
	for _, r := range rows {
		seen[r.Vehicle] = true
	}
	return len(seen)
}

// CountPulls is how many segments the rows are of; give it rows of pulls.
func CountPulls(rows []*Row) int {
	seen := map[string]bool{}
	for _, r := range rows {
		seen[PullID(r)] = true
	}
	return len(seen)
}

// Nest groups things by car and pull, cars and pulls in the order in which they are first met. The store's order is
// sorted, so a nest of its rows does not depend on how they got there.
type Nest[T any] struct {
	Cars  []*NestCar[T]
	Pulls int // of all cars

	index map[string]*NestCar[T]
}

// NestCar is one car of a Nest.
type NestCar[T any] struct {
	ID    string
	Pulls []*NestPull[T]

	index map[string]*NestPull[T]
}

// NestPull is one pull of a NestCar.
type NestPull[T any] struct {
	Day  string // date of the run, the run itself where that is unknown
	Rows []T
}

// NewNest is an empty nest.
func NewNest[T any]() *Nest[T] { return &Nest[T]{index: map[string]*NestCar[T]{}} }

// Add puts an item where its row belongs.
func (n *Nest[T]) Add(r *Row, item T) { n.AddTo(r.Vehicle, r, item) }

// AddTo puts an item where its row belongs, of a unit that stands for a car: a car's revision, say.
func (n *Nest[T]) AddTo(unit string, r *Row, item T) {
	car, ok := n.index[unit]
	if !ok {
		car = &NestCar[T]{ID: unit, index: map[string]*NestPull[T]{}}
		n.index[unit] = car
		n.Cars = append(n.Cars, car)
	}
	id := PullID(r)
	pull, ok := car.index[id]
	if !ok {
		pull = &NestPull[T]{Day: cmp.Or(r.Date, r.Run)}
		car.index[id] = pull
		car.Pulls = append(car.Pulls, pull)
		n.Pulls++
	}
	pull.Rows = append(pull.Rows, item)
}

// IDs are the cars, sorted.
func (n *Nest[T]) IDs() []string {
	out := make([]string, len(n.Cars))
	for i, c := range n.Cars {
		out[i] = c.ID
	}
	slices.Sort(out)
	return out
}

// Index numbers keys in the order in which they are first met.
type Index[K comparable] struct {
	Keys  []K
	known map[K]int
}

// NewIndex is an empty index.
func NewIndex[K comparable]() *Index[K] { return &Index[K]{known: map[K]int{}} }

// Of is a key's number; a key not met before gets the next one.
func (x *Index[K]) Of(k K) int {
	i, ok := x.known[k]
	if !ok {
		i = len(x.Keys)
		x.known[k] = i
		x.Keys = append(x.Keys, k)
	}
	return i
}
