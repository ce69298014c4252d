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
// ProposalsOf has kinds of its own, on fleets made for it (Options.Proving): another fuel, another part, another intake
// cam table, breakpoints that no usual pull reads, part load, and large steps towards each hazard, for which six more
// cars carry a fault. Its truth for a pull is over the same population as that of Proposals, days of a year to come at
// the places of the fleet, with the fuel and the part of the revision. Lambda is held by feedback whatever the fuel, so
// a change of fuel moves demand, cooling and octane, not the mixture; a part's injection data are off by a few percent.
// What usual pulls leave out is simulated apart, as drives of a rarer way (Way): a boost spike on a cold day, past the
// redline, full pedal from the middle of the speed range or from 1100 rpm in fifth gear, and part throttle held for ten
// seconds. How rare these are is assumed, and stands beside their truth. Not covered: misfire and catalyst heat of a
// lean part load, transients of the cam, a control unit whose feedback does not reach a new fuel.
//
// Build is a function of its options alone: the same number of cars and the same seed give the same bytes, whatever
// the number of processors.
package demo
