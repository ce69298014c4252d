package header

// nearWord returns the one word of at least five letters (four, of a time column) that a header may ask for and that
// is a single insertion, deletion, replacement or swap of neighbours away from token; "" when there is none or more
// than one. Blocking words are not looked for: an unknown word blocks as well as they do.
func nearWord(token string) string {
	if len(token) < 4 || !isASCIILetters(token) {
		return ""
	}
	const shortest = 5 // a word of four letters is one keystroke from too many others, unless it is of a time column
	found := ""
	for w := range vocabulary {
		if (len(w) >= shortest || timeWords[w]) && len(w) >= 4 && oneEdit(token, w) && (!blocking[w] || timeWords[w]) {
			if found != "" {
				return ""
			}
			found = w
		}
	}
	return found
}

func isASCIILetters(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < 'a' || s[i] > 'z' {
			return false
		}
	}
	return s != ""
}

// oneEdit reports whether a and b differ by exactly one edit (Damerau 1964).
func oneEdit(a, b string) bool {
	if len(a) > len(b) {
		a, b = b, a
	}
	if len(b)-len(a) > 1 || a == b {
		return false
	}
	i := 0
	for i < len(a) && a[i] == b[i] {
		i++
	}
	if len(a) == len(b) {
		swapped := i+1 < len(a) && a[i] == b[i+1] && a[i+1] == b[i] && a[i+2:] == b[i+2:]
		return a[i+1:] == b[i+1:] || swapped
	}
	return a[i:] == b[i+1:]
}
