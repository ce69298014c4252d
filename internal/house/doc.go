// Package house answers whether the project still stands as DEVELOPERS.md says: which package imports which, what
// models may not touch, how wide a line is. It holds tests only.
package house
