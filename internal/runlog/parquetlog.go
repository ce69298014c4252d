package runlog

import (
	"errors"
	"fmt"
	"io"
	"math"

	"github.com/parquet-go/parquet-go"

	"headroom/internal/fault"
)

// parquetFeed reads a flat Parquet log: one column a channel, named and with units as in text headers. Nested and
// repeated columns are left out. It holds one page a column.
type parquetFeed struct {
	tb     *table
	leaves []*parquetLeaf
	left   int64 // rows that are still to come by the file's own account
}

// parquetLeaf is one column on its way in.
type parquetLeaf struct {
	column *column
	pages  parquet.Pages // nil once read to the end, and for columns that are not read
	page   parquet.Page
	values parquet.ValueReader
}

func brokenParquet(cause any) error {
	return &fault.Fault{What: fmt.Sprintf("is not a whole Parquet file: %v", cause), Remedy: "export the log again"}
}

// openParquet reads the file's own description. The library panics on some malformed files.
func openParquet(src *source, maxCells int) (f *parquetFeed, err error) {
	defer func() {
		if r := recover(); r != nil {
			f, err = nil, brokenParquet(r)
		}
	}()
	file, err := parquet.OpenFile(src.parquet, src.parquetSize)
	if err != nil {
		return nil, brokenParquet(err)
	}
	rows, leaves := file.NumRows(), file.Root().Columns()
	switch {
	case rows <= 0:
		return nil, &fault.Fault{What: "has no data rows", Remedy: "export the log again"}
	case len(leaves) == 0:
		return nil, &fault.Fault{What: "no header found: it has no columns", Remedy: "export the log again"}
	case len(leaves) > maxColumns:
		return nil, &fault.Fault{What: fmt.Sprintf("has %d columns, more than the reader's limit of %d", len(leaves),
			maxColumns), Remedy: "export only the channels that are needed"}
	case maxCells == math.MaxInt && rows > maxLongCells/int64(len(leaves)+1):
		return nil, &fault.Fault{What: fmt.Sprintf("has %d rows, more than the reader's limit", rows),
			Remedy: "split the log into shorter ones"}
	}
	f = &parquetFeed{tb: &table{starts: []int{0}}, left: rows}
	f.tb.dialect = Dialect{Encoding: src.encoding, Compression: src.compression,
		Reason: "Parquet says by itself what its columns are"}
	for _, leaf := range leaves {
		c := &column{header: withoutVIN(leaf.Name()), stamp: -1}
		c.private = privateHeader(c.header)
		if !leaf.Leaf() || leaf.MaxRepetitionLevel() > 0 {
			c.private = "nested and repeated columns are not read"
		}
		l := &parquetLeaf{column: c}
		if c.private == "" {
			l.pages = leaf.Pages()
			before := src.done
			src.done = func() { l.close(); before() }
		}
		f.tb.columns = append(f.tb.columns, c)
		f.leaves = append(f.leaves, l)
	}
	return f, nil
}

func (f *parquetFeed) table() *table { return f.tb }

func (f *parquetFeed) notes() []Finding { return nil }

// fill reads the same number of rows of every column; what one column lacks at its end stays empty.
func (f *parquetFeed) fill(maxCells int) (more bool, err error) {
	defer func() {
		if r := recover(); r != nil {
			more, err = false, brokenParquet(r)
		}
	}()
	room := max(minPartRows, maxCells/len(f.leaves)) - f.tb.rows
	want := f.tb.rows + int(min(f.left, int64(room)))
	read := f.tb.rows
	for _, l := range f.leaves {
		if err := l.read(want); err != nil {
			return false, brokenParquet(err)
		}
		read = max(read, len(l.column.values))
	}
	for _, l := range f.leaves {
		for len(l.column.values) < read {
			l.column.values = append(l.column.values, math.NaN())
		}
	}
	f.left -= int64(read - f.tb.rows)
	f.tb.rows = read
	if read == 0 {
		return false, &fault.Fault{What: "has no data rows", Remedy: "export the log again"}
	}
	return read == want && f.left > 0, nil
}

// close lets go of what the library holds.
func (l *parquetLeaf) close() {
	if l.page != nil {
		parquet.Release(l.page)
	}
	if l.pages != nil {
		_ = l.pages.Close()
	}
	l.page, l.pages = nil, nil
}

// read appends values until the column has as many as wanted, or ends.
func (l *parquetLeaf) read(want int) error {
	c := l.column
	var buf [256]parquet.Value
	for l.pages != nil && len(c.values) < want {
		if l.page == nil {
			page, err := l.pages.ReadPage()
			if errors.Is(err, io.EOF) {
				l.close()
				return nil
			}
			if err != nil {
				return fmt.Errorf("column %q: %w", c.header, err)
			}
			l.page, l.values = page, page.Values()
		}
		n, err := l.values.ReadValues(buf[:min(len(buf), want-len(c.values))])
		for _, v := range buf[:n] {
			c.addValue(v)
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("column %q: %w", c.header, err)
		}
		if err != nil || n == 0 {
			parquet.Release(l.page)
			l.page = nil
		}
	}
	return nil
}

// addValue appends one Parquet value as a number.
func (c *column) addValue(v parquet.Value) {
	number := math.NaN()
	switch {
	case v.IsNull():
	case v.Kind() == parquet.Boolean:
		if number = 0; v.Boolean() {
			number = 1
		}
	case v.Kind() == parquet.Int32:
		number = float64(v.Int32())
	case v.Kind() == parquet.Int64:
		number = float64(v.Int64())
	case v.Kind() == parquet.Float:
		number = float64(v.Float())
	case v.Kind() == parquet.Double:
		number = v.Double()
	case v.Kind() == parquet.ByteArray || v.Kind() == parquet.FixedLenByteArray:
		c.add(string(v.ByteArray()), '.')
		return
	}
	if math.IsInf(number, 0) {
		number = math.NaN()
	}
	if !math.IsNaN(number) {
		c.filled++
		c.kind = cellNumber
	}
	c.values = append(c.values, number)
}
