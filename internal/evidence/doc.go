// Package evidence answers the question: what may be counted out of one log?
//
// A run is cut into segments: pulls (near-full throttle, rising speed, one gear) and steady part-throttle stretches.
// Each segment is binned on engine speed × absolute load, and each segment × cell becomes one Row. Samples inside a
// segment share fuel, weather and heat and follow each other within a fraction of a second, so they are one
// observation, not many. Absolute load follows SAE J1979 (service 01, PID 0x43). Knock is taken from rises of knock
// retard, not from its level: retard is given back slowly, so a level may be left over from another cell.
//
// Nothing is interpolated and nothing is differenced across a gap in time. A quantity that was not logged is NaN,
// and everything left out is named in a finding.
package evidence

// Version names the rules by which rows are made. It is kept in the store's catalogue; raise it whenever a Row made
// from the same run would differ, so that logs are read again.
const Version = "evidence/14"
