package report

import (
	"fmt"

	"headroom/internal/assess"
	"headroom/internal/assess/fleet"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
	"headroom/internal/result"
)

// changesSection lists all that differs and what is known of it, and the days it was judged over.
func changesSection(r *assess.Review, w words) text.Section {
	s := text.Section{ID: "changes", Title: "What differs, and what is known of it",
		Intro: "Everything by which the revision differs from its parent or from what the judged pulls ran. What is " +
			"neither computed nor shown by a log keeps a release away."}
	if len(r.Changes) == 0 {
		s.Intro = "Nothing differs from what the judged pulls ran."
	} else {
		t := &text.Table{Columns: []text.Column{{Head: "What"}, {Head: "Change", Flex: true},
			{Head: "Known", Flex: true},
			{Head: "Pulls", Right: true}}}
		for i := range r.Changes {
			t.Rows = append(t.Rows, w.changeRow(&r.Changes[i]))
		}
		s.Blocks = append(s.Blocks, text.Block{Table: t})
	}
	s.Blocks = append(s.Blocks, text.Block{List: []string{w.weather(&r.Weather), support(&r.Support)}})
	return s
}

func (w words) changeRow(c *assess.Changed) text.Row {
	what, change := plain(c.What), c.From+" → "+c.To
	switch c.What {
	case assess.DiffersTable, assess.DiffersSpeedLimit:
		what = plain(c.Name)
		change = fmt.Sprintf(
			"%s of its values, most by %s at %s",
			show.Number(c.Values, 0),
			w.Change(c.Largest, c.Unit),
			placeOf(c.At, w.Display),
		)
		if !c.Values.Known() {
			change = "not compared with the parent's"
		}
	case assess.DiffersCells:
		what, change = "places", fmt.Sprintf("%s that no judged pull reads", count(int(c.Values), "changed value"))
	case assess.DiffersPart:
		what = plain(c.Name)
	}
	account := text.Of(accountOf(c))
	if c.Account == assess.AccountNone {
		account = account.Toned(text.Doubt)
	}
	pulls := show.Missing
	if c.Pulls > 0 {
		pulls = fmt.Sprint(c.Pulls)
	}
	row := text.Row{Cells: []text.Cell{text.Of(what).Toned(text.Loud), text.Of(change), account, text.Of(pulls)}}
	if len(c.Reasons) > 0 {
		row.Notes = []string{capital(sentence(w.joined(c.Reasons)))}
	}
	return row
}

// accountOf says what is known of a difference.
func accountOf(c *assess.Changed) string {
	switch {
	case c.What == assess.DiffersCells && c.Account == assess.AccountNone:
		return "judged as if visited, but not all could be"
	case c.What == assess.DiffersCells:
		return "judged as if visited"
	case c.What == assess.DiffersCar:
		return "by the spread between cars"
	case c.What == assess.DiffersSpeedLimit && c.Account == assess.AccountShown:
		return "shown: judged pulls ran at every speed it leaves"
	case c.Account == assess.AccountComputed:
		return "computed"
	case c.Account == assess.AccountShown:
		return "shown: judged pulls ran with it"
	}
	return "neither computed nor shown"
}

// weather says over which days a revision was judged.
func (w words) weather(d *assess.Weather) string {
	behind := fmt.Sprintf("%s of %s", count(d.Days, "day"), count(d.Cars, "car"))
	switch d.From {
	case assess.FromClimate:
		places := "each place as often as any"
		if d.Own > 0 {
			places = fmt.Sprintf("each place as often as %s of this car tell", count(d.Own, "logged day"))
		}
		return fmt.Sprintf("Judged over the climate of headroom.yaml, %s: ambient %s on nine days in ten. The judged "+
			"pulls were logged at %s.", places, w.Interval(d.Judged, "°C"), w.Interval(d.Logged, "°C"))
	case assess.FromCar:
		told := fmt.Sprintf("which %s of its own and %s tell", count(d.Own, "logged day"), behind)
		if d.Own == 0 {
			told = fmt.Sprintf("as those of other cars (%s), for it logged none", behind)
		}
		seasons := "all seasons"
		if !d.Year {
			seasons = "in the seasons that the fleet logged and no other"
		}
		return fmt.Sprintf(
			"Judged over the days that this car will meet, %s: ambient %s on nine days in ten, %s. The judged "+
				"pulls were logged at %s.",
			told,
			w.Interval(d.Judged, "°C"),
			seasons,
			w.Interval(d.Logged, "°C"),
		)
	case assess.FromAmbient:
		return fmt.Sprintf(
			"Judged over the weather that the fleet met (%s): ambient %s on nine days in ten. The judged "+
				"pulls were logged at %s.",
			behind,
			w.Interval(d.Judged, "°C"),
			w.Interval(d.Logged, "°C"),
		)
	case assess.FromCharge:
		return fmt.Sprintf(
			"Judged over the weather that the fleet's charge temperature shows, as ambient temperature is "+
				"not in all of these logs: %s around a common day on nine days in ten. The days of the judged "+
				"pulls lie at %s.",
			w.Differences(d.Judged, "K"),
			w.Differences(d.Logged, "K"),
		)
	}
	return "Judged in the weather of the judged pulls alone: too few days tell of another."
}

// support says how far a revision goes from what was logged.
func support(s *assess.Support) string {
	if s.Cars == 0 {
		return "How far this lies from what the fleet has logged cannot be told: too few cars logged load, charge " +
			"temperature and spark together."
	}
	if len(s.Outside) == 0 {
		return fmt.Sprintf("Every judged state lies among those that %s logged.", count(s.Cars, "car"))
	}
	cells := make([]result.Cell, len(s.Outside))
	for i, f := range s.Outside {
		cells[i] = f.Cell
	}
	return fmt.Sprintf("Outside what %s logged: %s, furthest by %s.", count(s.Cars, "car"), cellsBetween(cells),
		feature(s.Outside[0].Mostly))
}

// feature names a quantity by which states are told apart.
func feature(f fleet.Feature) string {
	switch f {
	case fleet.FeatureLoad:
		return "load"
	case fleet.FeatureLambda:
		return "commanded lambda"
	}
	return plain(f)
}

// unvisitedSection shows what changed values that no pull reads would do.
func unvisitedSection(r *assess.Review, w words) text.Section {
	u := &r.Unvisited
	s := text.Section{ID: "unvisited", Title: "Changed where no pull has been"}
	if u.Values == 0 && len(u.Places) == 0 {
		s.Intro = "Every changed value of a table is read by a judged pull."
		return s
	}
	s.Intro = fmt.Sprintf(
		"%s of tables %s read by no judged pull. Each was judged as if the engine went there, from the "+
			"nearest logged states moved to it. Only what it makes worse counts against it.",
		count(u.Values, "changed value"),
		isAre(u.Values),
	)
	if u.NotJudged > 0 {
		s.Intro += fmt.Sprintf(" %d could not be judged: no log knows what it takes.", u.NotJudged)
	}
	t := &text.Table{
		Columns: []text.Column{{Head: "Hazard"}, {Head: "Where", Flex: true}, {Head: "Change", Right: true},
			{
				Head:  "Margin there",
				Right: true,
			}, {Head: "Chance if visited", Right: true}, {Head: "Before", Right: true},
			{Head: "Been there", Flex: true}},
		Most: 8,
	}
	for i := range u.Places {
		p := &u.Places[i]
		odds := chance(p.IfVisited, p.Interval90)
		if p.Dangerous {
			odds = odds.Toned(text.Alarm)
		}
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{
			text.Of(plain(p.Hazard)).Toned(text.Loud), text.Of(placeOf(p.At, w.Display)),
			text.Of(
				plain(p.Role) + " " + w.Change(p.Change, p.RoleUnit) + since(p),
			), text.Of(w.Margin(p.Margin, p.MarginSD, p.Unit)),
			odds, text.Of(show.Probability(p.Parent)), text.Of(w.reached(p)),
		}})
	}
	if len(t.Rows) > 0 {
		s.Blocks = []text.Block{{Table: t}}
	}
	return s
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// reached says what is known of an engine going to a place.
func (w words) reached(p *assess.UnvisitedPlace) string {
	say := fmt.Sprintf("%d of %s of the fleet have a sample there", p.FleetPulls, count(p.OfPulls, "pull"))
	if p.FleetPulls == 0 {
		say = fmt.Sprintf("no sample of the fleet's %s", count(p.OfPulls, "pull"))
	}
	if g := p.OtherGear; g != nil {
		say += fmt.Sprintf("; %d of %d in gear %d", g.Pulls, g.OfPulls, g.Gear)
	}
	switch n := len(p.Brings); n {
	case 0:
	case 1:
		say += "; brought there by " + w.stress(p.Brings[0])
	default:
		say += fmt.Sprintf("; brought there by %s and %d more", w.stress(p.Brings[0]), n-1)
	}
	return say
}

// since says of an inherited value since when it stands there.
func since(p *assess.UnvisitedPlace) string {
	if !p.Inherited {
		return ""
	}
	return ", since " + p.Against
}
