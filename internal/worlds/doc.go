// Package worlds draws fleets to prove the tool on.
package worlds
