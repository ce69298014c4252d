package header

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"headroom/models/unit"
)

// Name is a header taken apart into the words of the trade.
type Name struct {
	words     []string // expanded, in header order, without qualifiers
	exact     []string // of them those that stand so in the header, or as their abbreviation
	bank      int      // 0: not given
	sensor    int
	cylinder  int
	number    int    // a bare number
	Respelled string // note of words read as a near spelling, "" when none
}

// Has reports whether a word is among them. Abbreviations are written out: "throttle" is one of TPS.
func (n Name) Has(word string) bool { return slices.Contains(n.words, word) }

// Time reports whether a header names a time axis: only says that it has words and each of them may stand in the header
// of a time column, named that one of them is a word such a header must have.
func (n Name) Time() (only, named bool) {
	for _, w := range n.words {
		if !timeWords[w] && !timeUnit(w) {
			return false, false
		}
		named = named || timeCore[w]
	}
	return len(n.words) > 0, named
}

// timeUnit reports whether a single word spells a unit of time.
func timeUnit(word string) bool {
	u, err := unit.Parse(word)
	return err == nil && u.Quantity() == unit.Time
}

// CountsSamples reports whether a header has words and every one of them is of a column that counts samples.
func (n Name) CountsSamples() bool {
	return len(n.words) > 0 && !slices.ContainsFunc(n.words, func(w string) bool { return !indexWords[w] })
}

// tokens splits a header at blanks, punctuation, camel-case humps and between letters and digits.
func tokens(header string) []string {
	var out []string
	var cur []rune
	flush := func() {
		if len(cur) > 0 {
			out = append(out, strings.ToLower(string(cur)))
			cur = cur[:0]
		}
	}
	runes := []rune(header)
	for i, r := range runes {
		if !unicode.IsLetter(r) && !unicode.IsDigit(r) {
			flush()
			continue
		}
		if len(cur) > 0 {
			last := cur[len(cur)-1]
			hump := unicode.IsLower(last) && unicode.IsUpper(r)
			acronymEnd := unicode.IsUpper(last) && unicode.IsUpper(r) && i+1 < len(runes) &&
				unicode.IsLower(runes[i+1]) && i+2 < len(runes) && unicode.IsLower(runes[i+2])
			digits := unicode.IsDigit(last) != unicode.IsDigit(r)
			if hump || acronymEnd || digits && !oxygen(cur, r) {
				flush()
			}
		}
		cur = append(cur, r)
	}
	flush()
	return out
}

// oxygen keeps "O2" in one piece.
func oxygen(cur []rune, r rune) bool {
	return r == '2' && len(cur) == 1 && (cur[0] == 'o' || cur[0] == 'O')
}

// Fold makes headers comparable: case and repeated blanks do not matter.
func Fold(header string) string { return strings.ToLower(strings.Join(strings.Fields(header), " ")) }

// Parse expands a header, without its unit (Base), into words and qualifiers.
func Parse(header string) Name {
	var n Name
	toks := tokens(Mend(header))
	for i := 0; i < len(toks); i++ {
		t, following := toks[i], ""
		if i+1 < len(toks) {
			following = toks[i+1]
		}
		next := small(following)
		switch {
		case next > 0 && (t == "bank" || t == "b"):
			n.bank = next
			i++
		case next > 0 && (t == "sensor" || t == "s"):
			n.sensor = next
			i++
		case next > 0 && (t == "cylinder" || t == "cyl"):
			n.cylinder = next
			i++
		case small(t) > 0 && (following == "cylinder" || following == "cyl"):
			n.cylinder = small(t)
			i++
		case t == "a" && following == "f": // A/F
			n.add("afr")
			i++
		case small(t) > 10 && small(t)%10 > 0 && i > 0 && bankCoded[toks[i-1]]:
			n.bank, n.sensor = small(t)/10, small(t)%10
		case small(t) > 0:
			n.number = small(t)
		default:
			n.add(t)
		}
	}
	return n
}

// bankCoded are the tokens after which SAE J1979 (2002 and later) writes bank and sensor as one number of two digits:
// CATEMP11 (from memory).
var bankCoded = wordSet("catemp egt eqrat rat lambda o2s")

// add appends the words a token stands for; an unknown token that is one keystroke from a known word is read as it.
func (n *Name) add(token string) {
	if alias, ok := aliases[token]; ok {
		n.words = append(n.words, strings.Fields(alias)...)
		n.exact = append(n.exact, strings.Fields(alias)...)
		return
	}
	if !vocabulary[token] {
		if parts := joinedWords(token); parts != nil {
			for _, p := range parts {
				n.add(p)
			}
			return
		}
		if near := nearWord(token); near != "" {
			if n.Respelled != "" {
				n.Respelled += ", "
			}
			n.Respelled += fmt.Sprintf("%q read as %q", token, near)
			n.words = append(n.words, near)
			return
		}
	}
	n.words, n.exact = append(n.words, token), append(n.exact, token)
}

// joinedWords cuts a token into the words of the vocabulary that are written in it without anything between, each of at
// least three letters; nil where it is not made of such words alone.
func joinedWords(token string) []string {
	if token == "" {
		return []string{}
	}
	for i := len(token); i >= 3; i-- {
		if !vocabulary[token[:i]] {
			continue
		}
		if rest := joinedWords(token[i:]); rest != nil {
			return append([]string{token[:i]}, rest...)
		}
	}
	return nil
}

// small reads a token of one or two digits, 1–99; 0 for anything else.
func small(s string) int {
	v, err := strconv.ParseUint(s, 10, 64)
	if err != nil || len(s) > 2 {
		return 0
	}
	return int(v)
}
