// Package reading answers one question: in which unit, sign and reference are the numbers of a column that is claimed
// to be a channel, and what are they in stored units?
//
// Where a unit is written it is taken, unless the values contradict it; where none is, it is concluded from what an
// engine can do, or the column is refused with the reason. The channels are read in an order (the caller's) in which
// each can be judged by those before it. A conversion can be applied to further rows of the same column.
package reading
