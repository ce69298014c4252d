package header

import (
	"slices"

	"headroom/internal/fault"
)

// Private says why a column must not be read at all, or "".
func Private(header string) string {
	for _, token := range tokens(header) {
		if misspeltPlace(token) {
			return "it tells where the car was, by a name spelt nearly so"
		}
	}
	words := Parse(header).words
	for _, w := range words {
		switch w {
		case "latitude", "longitude", "gps", "gnss", "geolocation", "coordinates", "coordinate", "altitude", "heading",
			"bearing":
			if slices.Contains(words, "acceleration") || slices.Contains(words, "g") && !slices.Contains(words, "gps") {
				continue
			}
			return "it tells where the car was"
		case "vin", "identification", "driver", "owner", "customer", "operator":
			return "it tells who or which car it was"
		}
	}
	if len(words) == 1 && words[0] == "long" {
		return "it tells where the car was"
	}
	if slices.Contains(words, "plate") && (slices.Contains(words, "license") || slices.Contains(words, "licence") ||
		slices.Contains(words, "number")) {
		return "it tells which car it was"
	}
	return ""
}

// misspeltPlace reports whether a token is within two edits of a word for the car's place. It is wider than what a
// channel's name is forgiven: a column too many left out costs nothing.
func misspeltPlace(token string) bool {
	for _, place := range []string{"latitude", "longitude", "altitude", "geolocation", "coordinates"} {
		if len(token) >= 6 && token != "attitude" && fault.EditDistance(token, place) <= 2 {
			return true
		}
	}
	return false
}
