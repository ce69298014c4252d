package runlog

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"headroom/internal/runlog/header"
	"headroom/models/unit"
)

// WriteMap writes a commented channels.yaml that reads files like run as run was read, for the user to edit: used
// columns first, then every column that was left out with its reason, mapped to none.
func WriteMap(w io.Writer, run *Run) error {
	var b strings.Builder
	b.WriteString("# How the columns of logs are read. Edit the lines, then run inspect again.\n")
	b.WriteString("# channel: a canonical channel, or none. unit: as the file has it (psi gauge, kPa, °F, AFR …).\n")
	b.WriteString("# value = raw * scale + offset, in unit. lag: seconds the column trails engine speed.\n")
	fmt.Fprintf(&b, "files:\n  - pattern: %s\n", yamlString(escapePattern(filepath.Base(run.Source))))
	if run.TimeBase.Column != "" {
		fmt.Fprintf(&b, "    time: {header: %s}  # %s\n", yamlString(run.TimeBase.Column), oneLine(run.TimeBase.Reason))
	} else if run.TimeBase.Rate > 0 {
		fmt.Fprintf(&b, "    rate: %g\n", run.TimeBase.Rate)
	}
	b.WriteString("    columns:\n")
	written := map[string]bool{}
	for _, used := range []bool{true, false} {
		for _, c := range run.Columns {
			key := header.Fold(c.Header)
			if (c.Channel != "") != used || key == "" || written[key] || c.Header == run.TimeBase.Column {
				continue
			}
			written[key] = true
			if used {
				fmt.Fprintf(&b, "      - {header: %s, channel: %s%s}  # %s\n", yamlString(c.Header), c.Channel,
					unitEntry(c.Unit), oneLine(c.Reason))
				continue
			}
			fmt.Fprintf(&b, "      - {header: %s, channel: none}  # %s\n", yamlString(c.Header), oneLine(c.Reason))
		}
	}
	if len(written) == 0 {
		b.WriteString("      []\n")
	}
	_, err := io.WriteString(w, b.String())
	if err != nil {
		return fmt.Errorf("write channel map: %w", err)
	}
	return nil
}

// escapePattern makes a file name match itself only.
func escapePattern(s string) string {
	return strings.NewReplacer("\\", "\\\\", "*", "\\*", "?", "\\?", "[", "\\[").Replace(s)
}

// unitEntry writes a unit where it is one that can be read back; "factor" and the like are left to recognition.
func unitEntry(u string) string {
	if _, err := unit.Parse(u); err != nil {
		return ""
	}
	return ", unit: " + yamlString(u)
}

// yamlString quotes a string for YAML's flow style.
func yamlString(s string) string {
	return "\"" + strings.NewReplacer("\\", "\\\\", "\"", "\\\"", "\n", " ", "\r", " ", "\t", "\\t").Replace(s) + "\""
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }
