package runlog

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"

	"github.com/parquet-go/parquet-go"
)

// readParquet reads a flat Parquet log: one column a channel, named and with units as in text headers. Nested and
// repeated columns are left out.
func readParquet(src *source) (tb *table, err error) {
	broken := func(cause any) error {
		return &FileError{What: fmt.Sprintf("is not a whole Parquet file: %v", cause), Remedy: "export the log again"}
	}
	defer func() {
		if r := recover(); r != nil { // the library panics on some malformed files
			tb, err = nil, broken(r)
		}
	}()
	f, err := parquet.OpenFile(bytes.NewReader(src.parquet), int64(len(src.parquet)))
	if err != nil {
		return nil, broken(err)
	}
	rows := f.NumRows()
	leaves := f.Root().Columns()
	switch {
	case rows <= 0:
		return nil, &FileError{What: "has no data rows", Remedy: "export the log again"}
	case len(leaves) > maxColumns:
		return nil, &FileError{What: fmt.Sprintf("has %d columns, more than the reader's limit of %d", len(leaves), maxColumns), Remedy: "export only the channels that are needed"}
	case rows > maxLongCells/int64(len(leaves)+1):
		return nil, &FileError{What: fmt.Sprintf("has %d rows, more than the reader's limit", rows), Remedy: "split the log into shorter ones"}
	}
	tb = &table{starts: []int{0}, rows: int(rows)}
	tb.dialect = Dialect{Encoding: src.encoding, Compression: src.compression, Reason: "Parquet says by itself what its columns are"}
	for _, leaf := range leaves {
		c := &column{header: withoutVIN(leaf.Name()), stamp: -1}
		c.private = privateHeader(c.header)
		if !leaf.Leaf() || leaf.MaxRepetitionLevel() > 0 {
			c.private = "nested and repeated columns are not read"
		}
		if err := c.fill(leaf, tb.rows); err != nil {
			return nil, broken(err)
		}
		tb.columns = append(tb.columns, c)
	}
	if len(tb.columns) == 0 {
		return nil, &FileError{What: "no header found: it has no columns", Remedy: "export the log again"}
	}
	return tb, nil
}

// fill reads a column's values; whatever is missing at the end stays empty.
func (c *column) fill(leaf *parquet.Column, rows int) error {
	if c.private == "" {
		if err := c.readPages(leaf, rows); err != nil {
			return err
		}
	}
	for len(c.values) < rows {
		c.values = append(c.values, math.NaN())
	}
	return nil
}

func (c *column) readPages(leaf *parquet.Column, rows int) error {
	pages := leaf.Pages()
	defer pages.Close()
	var buf [256]parquet.Value
	for len(c.values) < rows {
		page, err := pages.ReadPage()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("column %q: %w", c.header, err)
		}
		values := page.Values()
		for len(c.values) < rows {
			n, err := values.ReadValues(buf[:])
			for _, v := range buf[:n] {
				c.addValue(v, rows)
			}
			if err != nil || n == 0 {
				if err != nil && !errors.Is(err, io.EOF) {
					return fmt.Errorf("column %q: %w", c.header, err)
				}
				break
			}
		}
		parquet.Release(page)
	}
	return nil
}

// addValue appends one Parquet value as a number.
func (c *column) addValue(v parquet.Value, rows int) {
	if len(c.values) >= rows {
		return
	}
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
