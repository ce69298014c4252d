package runlog

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"headroom/internal/runlog/channelmap"
	"headroom/internal/runlog/samples"
)

// A written map, read back, must lead to the same reading: every file of the corpus that reads.
func TestWriteMapReadsTheSame(t *testing.T) {
	files, _ := filepath.Glob(filepath.Join(corpusDir, "*.csv"))
	checked := 0
	for _, file := range files {
		first, err := Read(file, Options{Barometer: 98})
		if err != nil {
			continue
		}
		var b bytes.Buffer
		if err := WriteMap(&b, first[0]); err != nil {
			t.Fatal(err)
		}
		written := filepath.Join(t.TempDir(), "channels.yaml")
		if err := os.WriteFile(written, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		m, err := channelmap.Load(written)
		if err != nil {
			t.Errorf("%s: %v\n%s", file, err, b.String())
			continue
		}
		second, err := Read(file, Options{Barometer: 98, ChannelMap: m})
		if err != nil {
			t.Errorf("%s: %v", file, err)
			continue
		}
		checked++
		for i := range first {
			if diff := cmp.Diff(first[i].Channels(), second[i].Channels()); diff != "" {
				t.Errorf("%s: %s\n%s", file, diff, b.String())
				break
			}
			for _, s := range first[i].Series {
				if !agree(s.Values, second[i].Values(s.Channel)) && len(samples.Sorted(s.Values)) > 0 {
					t.Errorf("%s: %s reads differently by the written map\n%s", file, s.Channel, b.String())
				}
			}
		}
	}
	if checked < 40 {
		t.Errorf("only %d files were compared", checked)
	}
}
