package fault

// DidYouMean is the remedy for a misspelt word: it asks for the candidate within two edits of it, the closest first.
// It is "" when none is that near.
func DidYouMean(word string, candidates []string) string {
	best, bestDistance := "", 3
	for _, c := range candidates {
		if d := EditDistance(word, c); d < bestDistance && d < len(c) {
			best, bestDistance = c, d
		}
	}
	if best == "" {
		return ""
	}
	return "did you mean " + best + "?"
}

// EditDistance is the least number of insertions, deletions and substitutions of bytes that make b of a (Levenshtein,
// Soviet Physics Doklady 10, 1966).
func EditDistance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
