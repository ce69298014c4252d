package state

import (
	"math"

	"headroom/internal/result"
)

// CellKey indexes the operating grid: speed bin, load bin.
type CellKey [2]int

// CellOf is the grid cell a state lies in.
func (p *Platform) CellOf(s *State) CellKey {
	return CellKey{int(math.Floor(s.RPM / p.RPMStep)), int(math.Floor(s.Load / p.LoadStep))}
}

// Cell is a grid cell with its edges.
func (p *Platform) Cell(k CellKey) result.Cell {
	edges := func(bin int, step float64) result.Span {
		return result.Span{result.Number(float64(bin) * step), result.Number(float64(bin+1) * step)}
	}
	return result.Cell{RPM: edges(k[0], p.RPMStep), LoadPct: edges(k[1], p.LoadStep)}
}
