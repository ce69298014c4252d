package source

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"

	"github.com/parquet-go/parquet-go"

	"headroom/internal/fault"
)

const parquetName = "Parquet"

// parquetFormat is Apache Parquet. Its pages are read in any order, so a packed file or a stream is held as a whole.
var parquetFormat = format{name: parquetName, extensions: []string{".parquet"}, begins: []string{"PAR1"},
	open: openParquet}

// parquetRows reads a flat Parquet log: one column a channel, named and with units as in text headers. Nested and
// repeated columns are left out. It holds one page a column.
type parquetRows struct {
	content *content
	tb      *Table
	leaves  []*parquetLeaf
	left    int64 // rows that are still to come by the file's own account
}

// parquetLeaf is one column on its way in.
type parquetLeaf struct {
	column *Column
	pages  parquet.Pages // nil once read to the end, and for columns that are not read
	page   parquet.Page
	values parquet.ValueReader
}

func brokenParquet(cause any) error {
	return &fault.Fault{What: fmt.Sprintf("is not a whole Parquet file: %v", cause), Remedy: "export the log again"}
}

// openParquet reads the file's own description. The library panics on some malformed files.
func openParquet(c *content) (rows Rows, err error) {
	defer func() {
		if r := recover(); r != nil {
			rows, err = nil, brokenParquet(r)
		}
	}()
	if c.at == nil {
		data, err := hold(c.r, "is a packed Parquet file", maxHeld)
		if err != nil {
			return nil, err
		}
		c.at, c.size = bytes.NewReader(data), int64(len(data))
	}
	if err := checkFooter(c.at, c.size); err != nil {
		return nil, err
	}
	file, err := parquet.OpenFile(c.at, c.size)
	if err != nil {
		return nil, brokenParquet(err)
	}
	count, leaves := file.NumRows(), file.Root().Columns()
	switch {
	case count <= 0:
		return nil, &fault.Fault{What: "has no data rows", Remedy: "export the log again"}
	case len(leaves) == 0:
		return nil, &fault.Fault{What: "no header found: it has no columns", Remedy: "export the log again"}
	case len(leaves) > maxColumns:
		return nil, &fault.Fault{What: fmt.Sprintf("has %d columns, more than the reader's limit of %d", len(leaves),
			maxColumns), Remedy: "export only the channels that are needed"}
	case c.limits.Cells == math.MaxInt && count > maxTableCells/int64(len(leaves)+1):
		return nil, &fault.Fault{What: fmt.Sprintf("has %d rows, more than the reader's limit", count),
			Remedy: "split the log into shorter ones"}
	}
	f := &parquetRows{content: c, tb: &Table{Starts: []int{0}}, left: count}
	f.tb.Dialect = Dialect{Encoding: parquetName, Compression: c.packing,
		Reason: "Parquet says by itself what its columns are"}
	for _, leaf := range leaves {
		l := &parquetLeaf{column: newColumn(leaf.Name(), "")}
		if !leaf.Leaf() || leaf.MaxRepetitionLevel() > 0 {
			l.column.Private = "nested and repeated columns are not read"
		}
		if l.column.Private == "" {
			l.pages = leaf.Pages()
		}
		f.tb.Columns = append(f.tb.Columns, l.column)
		f.leaves = append(f.leaves, l)
	}
	return f, nil
}

// maxFooter bounds a file's own description: some kilobytes for a few hundred columns.
const maxFooter = 64 << 20

// checkFooter compares the size that a file states of its description with what there is; the library takes as much
// memory as is stated. A file ends with that size, in four bytes, and the magic (Apache Parquet format).
func checkFooter(at io.ReaderAt, size int64) error {
	const magic, end = 4, 8
	var tail [end]byte
	if size < magic+end {
		return brokenParquet(io.ErrUnexpectedEOF)
	}
	if _, err := at.ReadAt(tail[:], size-end); err != nil {
		return brokenParquet(err)
	}
	if stated := int64(binary.LittleEndian.Uint32(tail[:])); stated > min(maxFooter, size-magic-end) {
		return brokenParquet(fmt.Errorf("its description is stated to take %d of %d bytes", stated, size))
	}
	return nil
}

// Close implements Rows.
func (f *parquetRows) Close() {
	for _, l := range f.leaves {
		l.close()
	}
	f.content.close()
}

// Table implements Rows.
func (f *parquetRows) Table() *Table { return f.tb }

// Notes implements Rows: a Parquet file has no layout to doubt.
func (f *parquetRows) Notes() []Note { return nil }

// Fill implements Rows. It reads the same number of rows of every column; what one column lacks at its end stays empty.
func (f *parquetRows) Fill() (more bool, err error) {
	defer func() {
		if r := recover(); r != nil {
			more, err = false, brokenParquet(r)
		}
	}()
	room := max(MinRows, f.content.limits.Cells/len(f.leaves)) - f.tb.Rows
	want := f.tb.Rows + int(min(f.left, int64(room)))
	read := f.tb.Rows
	for _, l := range f.leaves {
		if err := l.read(want); err != nil {
			return false, brokenParquet(err)
		}
		read = max(read, len(l.column.Values))
	}
	for _, l := range f.leaves {
		for len(l.column.Values) < read {
			l.column.Values = append(l.column.Values, math.NaN())
		}
	}
	f.left -= int64(read - f.tb.Rows)
	f.tb.Rows = read
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
	for l.pages != nil && len(c.Values) < want {
		if l.page == nil {
			page, err := l.pages.ReadPage()
			if errors.Is(err, io.EOF) {
				l.close()
				return nil
			}
			if err != nil {
				return fmt.Errorf("column %q: %w", c.Header, err)
			}
			l.page, l.values = page, page.Values()
		}
		n, err := l.values.ReadValues(buf[:min(len(buf), want-len(c.Values))])
		for _, v := range buf[:n] {
			c.addValue(v)
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("column %q: %w", c.Header, err)
		}
		if err != nil || n == 0 {
			parquet.Release(l.page)
			l.page = nil
		}
	}
	return nil
}

// addValue appends one Parquet value as a number.
func (c *Column) addValue(v parquet.Value) {
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
	c.addNumber(number)
}
