// Package header answers one question: which quantity does the heading of a column name, and in which unit is it
// written?
//
// A header is taken apart into words; the trade's abbreviations are written out and one wrong letter is forgiven. The
// words are matched against the names that the trade and the parameter descriptions of SAE J1979 (from memory) use for
// each channel. A word more than a name needs makes it another quantity. What values a column holds is not asked here.
package header
