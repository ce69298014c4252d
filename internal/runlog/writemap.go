package runlog

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"headroom/internal/runlog/header"
	"headroom/models/unit"
)

// WriteMap writes a commented channels.yaml with a rule for each logger of the runs, for the user to edit: it reads
// their logs as they were read, by their headers, whatever the files are called. Used columns come first, then every
// column that was left out, with the reason: one that lacks nothing but the surrounding air keeps its channel, the
// others are mapped to none with their candidate beside. A run without a time axis (Preview) says which is missing.
func WriteMap(w io.Writer, runs ...*Run) error {
	var b strings.Builder
	b.WriteString("# How the columns of logs are read. Edit the lines, then run inspect again.\n")
	b.WriteString("# channel: a canonical channel, or none. unit: as the file has it (psi gauge, kPa, °F, AFR …).\n")
	b.WriteString("# value = raw * scale + offset, in unit. lag: seconds the column trails engine speed.\n")
	b.WriteString("files:\n")
	seen := map[string]bool{}
	for _, run := range runs {
		var b1 strings.Builder
		writeRule(&b1, run)
		if rule := b1.String(); !seen[rule] {
			seen[rule] = true
			fmt.Fprintf(&b, "  # as in %s\n%s", oneLine(filepath.Base(run.Source)), rule)
		}
	}
	if len(seen) == 0 {
		b.WriteString("  []\n")
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("write channel map: %w", err)
	}
	return nil
}

// writeRule writes the rule of one logger.
func writeRule(b *strings.Builder, run *Run) {
	b.WriteString("  - match: headers  # every log that has these columns; pattern: \"*.csv\" would go by file name\n")
	switch {
	case run.TimeBase.Column != "":
		fmt.Fprintf(b, "    time: {header: %s}  # %s\n", yamlString(run.TimeBase.Column), oneLine(run.TimeBase.Reason))
	case run.TimeBase.Rate > 0:
		fmt.Fprintf(b, "    rate: %g\n", run.TimeBase.Rate)
	default:
		fmt.Fprintf(b, "    # time: {header: …, unit: s}  # missing: %s\n", oneLine(run.TimeBase.Reason))
	}
	if run.Assumed.KPa > 0 {
		fmt.Fprintf(b, "    # barometer_kpa: …  # %.4g was assumed; or altitude_m: …\n", run.Assumed.KPa)
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
			b.WriteString(columnLine(c))
		}
	}
	if len(written) == 0 {
		b.WriteString("      []\n")
	}
}

// columnLine is the line of one column.
func columnLine(c Column) string {
	id, unitName, note := string(c.Channel), c.Unit, oneLine(c.Reason)
	switch {
	case c.Channel != "":
	default:
		id, unitName = "none", ""
		if c.Wanted != "" {
			note = fmt.Sprintf("candidate: %s; missing: %s; %s", c.Wanted, c.Lack, note)
		}
	}
	return fmt.Sprintf("      - {header: %s, channel: %s%s}  # %s\n", yamlString(c.Header), id, unitEntry(unitName),
		note)
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
