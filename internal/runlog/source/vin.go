package source

import "strings"

// vinLength is the length of a vehicle identification number (ISO 3779).
const vinLength = 17

// looksLikeVIN reports whether s has the form of a vehicle identification number (ISO 3779): 17 characters, capital
// letters without I, O and Q and digits, both present.
func looksLikeVIN(s string) bool {
	if len(s) != vinLength {
		return false
	}
	letters, digits := 0, 0
	for i := 0; i < len(s); i++ {
		c := s[i] &^ 0x20
		switch {
		case s[i] >= '0' && s[i] <= '9':
			digits++
		case c >= 'A' && c <= 'Z' && c != 'I' && c != 'O' && c != 'Q':
			letters++
		default:
			return false
		}
	}
	return letters > 0 && digits >= 4
}

// withoutVIN replaces every word of s that has the form of a vehicle identification number.
func withoutVIN(s string) string {
	words := strings.FieldsFunc(s, func(r rune) bool { return !isWordRune(r) })
	for _, w := range words {
		if looksLikeVIN(w) {
			s = strings.ReplaceAll(s, w, "(identification removed)")
		}
	}
	return s
}

func isWordRune(r rune) bool {
	return r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z'
}
