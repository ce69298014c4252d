// Package demo invents a fleet whose truth is known: two engine platforms, a few dozen cars with their calibration
// revisions and run logs, planted faults, and proposed revisions of which it is known, by simulation, how often a pull
// would cross each limit. It answers one question: does the tool find what is really there?
//
// Everything in it is invented; no car, shop or part exists. The truth deliberately does not follow the equations that
// the estimator fits. Instead of a Wiebe burn and a Livengood–Wu integral of the Douaud–Eyzat delay it uses one
// Arrhenius delay of other exponents, evaluated at one end-gas state, with a logistic fall of end-gas pressure over
// burn phasing; speed enters through available time, a burn angle that is a power of speed and a local dip; knock is
// heard cycle by cycle with a rate that rises exponentially with excess spark (so the lowest limit met in a stay is
// Gumbel, not normal); car offsets are Student t with four degrees of freedom, cut at 6°; tanks differ in octane and
// ethanol, days in weather, and heat soaks in from pull to pull.
//
// What the truth does share with the estimator, and what was tuned, is part of what it can prove. The limits, the
// meaning of a knock crossing (accumulated retard past the tolerated one) and the volumetric-efficiency curve are those
// of the platform file. The constants were chosen for plausible magnitudes (common practice, no source) and compared
// with models/cycle while doing so: peak and mean effective pressure were set to within about a tenth of its level, and
// the effect of charge on the knock limit was raised to about 0.7 of its slope from a first choice of 0.35. Table
// margins were set so that 5 to 10 % of pull cells hear knock. The cars of the four proposed revisions have narrower
// offsets than the rest, and the size of each proposal is the first of a list whose simulated truth is the intended
// one: the four show the tool at work, they do not measure it. Proposals, which selects nothing by its truth, does.
//
// Build is a function of its options alone: the same number of cars and the same seed give the same bytes, whatever
// the number of processors.
package demo
