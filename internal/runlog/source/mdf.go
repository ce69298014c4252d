package source

// mdfFormat is the ASAM measurement data format, of any version (docs/decisions.md says why it is not read).
var mdfFormat = format{name: "ASAM MDF", begins: []string{"MDF "},
	refused: "is a binary measurement file (ASAM MDF)",
	remedy:  "convert it to delimited text first (docs/logs.md shows how)"}
