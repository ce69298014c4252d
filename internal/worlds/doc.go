// Package worlds draws fleets that the tool is proved on: at random for each, the form and the constants of what is
// true. It answers how good the judgement is where nobody who tuned it chose the world.
//
// It shares no equation with what it proves. Nothing of models or internal/assess is imported, and where both have a
// law of the same thing the forms differ: an analytic pressure trace here, an integrated one there; and so on down the
// list. The demo is another world again. What is written is a workspace as a shop keeps one, and the truth beside
// it.
//
// A fleet draws, each independently of the others:
//
//	knock law        integral of a three-stage or a single-stage delay over the trace, with luck in octane numbers;
//	                 or an empirical surface with kinks, with luck in degrees
//	luck             of cars and of pulls: normal, Student's t, or skewed to the bad side
//	knock control    fixed step, or twice the step for a loud cycle; recovery, quantum, dead band, memory, false steps
//	burn             angles by flame speed or by products of factors; Wiebe or cosine course
//	torque           Willans line with a loss quadratic in phasing, or the work of the trace
//	exhaust          energy balance with port loss, or empirical; walls that warm, a probe that lags by 1 to 3 s
//	mixture          transport and sensor lag, tip-in, wander, component protection or none, closed loop or open,
//	                 fuel metered for the label's ethanol or for the tank's
//	fuel system      port or direct, pump that sags, starvation that reaches lambda
//	boost            first order with spool by speed, or second order with a shaft; by pedal or by speed alone
//	charge cooling   a core that soaks, or a line in boost and heat that builds up
//	intake cam       none, or one with breathing and residual heat of its own
//	weather          two to four places, season, day; written as a climate in headroom.yaml or not
//	fuels            two that cars run and one that none has; octane and ethanol differ by tank
//	cars             shares with a weak pump, a biased lambda sensor, deposits; and some that drift
//	loggers          two to four kinds: 5 to 50 Hz, units, gauge or absolute, missing channels, coarse readings
//	limits           constant, along speed or along load, just above what base pulls reach
//	platform file    volumetric efficiency ±4 %, pump ±5 %, burn angles ±5° or no burn section
//
// What a limit means is the same in all: the true value in a pull with the pedal down, of the mixture in the cylinders
// over 0.3 s (not the sensor's), of the gas (not the probe's), of an average cycle's peak pressure, of retard as the
// ignition delivers it. Pump use is of the fleet's average pump.
//
// None of them covers: natural induction; diesel or rotary engines; two platforms in one shop; dual injection; flexible
// drivelines and wheel spin; exhaust cams; catalysts, throttle and torque management; pre-ignition; sensor drift in
// mid-log; headers that mislead (internal/runlog is tested on those); tuners who know the truth. Limits on wastegate
// duty are not drawn. Constants without a named source are ranges of common practice.
package worlds
