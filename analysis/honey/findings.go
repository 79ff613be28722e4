package honey

import (
	"fmt"
	"math"
	"strings"
	"time"

	"outyard"
	"outyard/analysis/robust"
)

// A spell is a time in which something was so.
type spell struct {
	from, to outyard.Date // to: the first day on which it no longer was; zero while it is
	finding  outyard.Finding
}

type spells []spell

func (s spells) open() bool { return len(s) > 0 && s[len(s)-1].to == outyard.Date{} }

// note begins a spell, goes on with it, or ends it. A finding that goes on
// says what is so now.
func (s *spells) note(date outyard.Date, begins, goesOn bool, say func() outyard.Finding) {
	switch open := s.open(); {
	case !open && begins:
		*s = append(*s, spell{from: date, finding: say()})
	case open && goesOn:
		(*s)[len(*s)-1].finding = say()
	case open:
		(*s)[len(*s)-1].to = date
	}
}

// judge says what the latest day means for stores and room.
func (w *Watch) judge() {
	if !w.stores.Known() {
		return // what was said stands until something is known
	}
	w.judgeStores()
	w.judgeRoom()
}

func (w *Watch) judgeStores() {
	use := w.UseKgPerDay()
	needs := w.needs(use)
	lasts := needs.lasting(w.stores, w.set.ReserveKg)
	winter := winterEnd(w.last, w.yard.Latitude)
	winterKg, winterShort := needs.kg[winter], 0.0
	if winter > 0 {
		winterShort = winterKg + w.set.ReserveKg - w.stores.Value
	}
	low := lasts.Days < w.set.LowDays
	say := func() outyard.Finding {
		f := outyard.Finding{Kind: outyard.StoresLow, Severity: outyard.Soon, Facts: map[string]any{
			"stores_kg": w.stores.Value, "stores_kg_low": max(0, w.stores.Low()), "stores_kg_high": w.stores.High(),
			"use_kg_per_day": use.Value, "days_left": lasts.Days, "days_left_low": lasts.LowDays, "days_left_high": lasts.HighDays,
		}}
		if low || winterShort <= 0 {
			f.Confidence = needs.short(w.stores, w.set.ReserveKg, int(w.set.LowDays))
			if lasts.Days < w.set.PressingDays {
				f.Severity = outyard.Now
			}
			f.Summary = fmt.Sprintf("Stores of about %.0f kg last some %.0f days (%.0f to %.0f) at %.2f kg a day, with %.0f kg left as a reserve.",
				w.stores.Value, lasts.Days, lasts.LowDays, lasts.HighDays, use.Value, w.set.ReserveKg)
			if lasts.HighDays < 1 {
				f.Summary = fmt.Sprintf("Stores are as good as used up: about %.0f kg, of which %.0f kg are a reserve, and the colony eats %.2f kg a day.",
					w.stores.Value, w.set.ReserveKg, use.Value)
			}
			f.Advice = []string{"Heft the hive, and look at the combs by the brood.", "Carry sugar: syrup while bees fly, fondant or dry sugar over the cluster when it is cold."}
		} else {
			f.Confidence = needs.short(w.stores, w.set.ReserveKg, winter)
			f.Facts["short_kg"] = winterShort
			f.Summary = fmt.Sprintf("Stores of about %.0f kg will not last the winter: some %.0f kg are needed until %s, and a reserve of %.0f kg.",
				w.stores.Value, winterKg, w.last.Add(winter).Start(time.UTC).Format("2 January"), w.set.ReserveKg)
			f.Advice = []string{fmt.Sprintf("Feed about %.0f kg of sugar as thick syrup before the end of %s.", math.Ceil(winterShort*sugarInHoney), feedMonth(w.yard.Latitude))}
		}
		f.Caution = []string{"The estimate rests on the parts' usual weights: weigh your own and name them in the config.", "Spilt syrup starts robbing: feed in the evening, entrances narrow."}
		w.tellAssumptions(&f)
		return f
	}
	begins := !w.flowing && (low || winterShort > winterSlackKg)
	goesOn := !w.flowing && (lasts.Days < w.set.EnoughDays || winterShort > 0)
	w.low.note(w.last, begins, goesOn, say)
}

// tellAssumptions says what was guessed of work that nobody wrote down.
func (w *Watch) tellAssumptions(f *outyard.Finding) {
	if len(w.assumed) == 0 {
		return
	}
	f.Facts["assumed"] = w.assumptions()
	f.Caution = append(f.Caution, fmt.Sprintf("Work that nobody wrote down was guessed at (%s): write it in the journal if it was not so, and the stores are reckoned anew.",
		strings.Join(w.assumptions(), "; ")))
}

const (
	// What is less likely than not is not told; what was told stands until it
	// is a good deal less likely.
	tellAt = 0.5
	// Less than this is not worth a drive, kg.
	winterSlackKg = 1.5
	// Sugar in a kilogram of ripe honey, kg.
	sugarInHoney = 0.82
)

// gainError is the error of the gain of the days to come as a share of the
// latest days', roomError that of the room beside the brood.
const gainError, roomError = 0.4, 0.2

func feedMonth(latitude float64) string {
	if latitude < 0 {
		return "April"
	}
	return "October"
}

func (w *Watch) judgeRoom() {
	by, ok := w.SuperBy()
	days := float64(by.Sub(w.last))
	gain := robust.HuberMean(incomeOf(w.income))
	room := w.set.FullShare * w.boxes.roomKg(w.last, w.yard.Latitude)
	errorKg := math.Hypot(w.stores.Error, gainError*w.set.RoomDays*gain)
	sure := surely(w.stores.Value+w.set.RoomDays*gain-room, math.Hypot(errorKg, roomError*(room-w.set.FullShare*w.boxes.supers)))
	begins := ok && days <= w.set.RoomDays && sure >= tellAt
	goesOn := ok && days <= 2*w.set.RoomDays && sure >= tellAt/2
	if !ok && w.room.open() && w.flowing {
		return // a day or two of rain do not make room
	}
	w.room.note(w.last, begins, goesOn, func() outyard.Finding {
		room := w.RoomKg()
		early, late := w.superBetween(by, gain, errorKg)
		f := outyard.Finding{Kind: outyard.RoomLow, Severity: outyard.Soon,
			Confidence: sure,
			Facts: map[string]any{"room_kg": room.Value, "room_kg_low": max(0, room.Low()), "room_kg_high": room.High(),
				"gain_kg_per_day": gain, "super_by": by.String(), "super_by_low": early.String(), "super_by_high": late.String(), "days_left": days},
			Advice:  []string{"Put a super on, drawn comb if there is any: it is filled at once, foundation only in a flow."},
			Caution: []string{"Boxes that must come off first may weigh 24 kg (medium) to 36 kg (deep): lift with two, or comb by comb."},
		}
		when := "now"
		if days >= 1 {
			when = "by " + by.Start(time.UTC).Format("2 January")
			if early.Before(by) {
				when += " (" + early.Start(time.UTC).Format("2 January") + " to be sure)"
			}
		}
		f.Summary = fmt.Sprintf("A super should be on %s: the boxes have room for some %.0f kg of honey, and %.1f kg a day of nectar, which needs twice the room, comes in.", when, room.Value, gain)
		w.tellAssumptions(&f)
		return f
	})
}

// superBetween is between which dates a super is due, nine times in ten, where
// by is the likeliest and errorKg that of stores and income.
func (w *Watch) superBetween(by outyard.Date, gainKg, errorKg float64) (early, late outyard.Date) {
	days := int(math.Ceil(min(ninety*errorKg/gainKg, yearDays)))
	early, late = by.Add(-days), by.Add(days)
	if early.Before(w.last) {
		early = w.last
	}
	return early, late
}

// surest is the most that is said: the errors are judgement, and the boxes may
// not be what the config says.
const surest = 0.97

// rounded are facts to the gram and the hour: more digits are none.
func rounded(facts map[string]any) map[string]any {
	out := make(map[string]any, len(facts))
	for name, v := range facts {
		if x, ok := v.(float64); ok {
			v = math.Round(1000*x) / 1000
		}
		out[name] = v
	}
	return out
}

// Findings says what the days so far mean, in order of onset within each kind.
func (w *Watch) Findings() []outyard.Finding {
	var out []outyard.Finding
	for _, of := range []spells{w.low, w.room} {
		for _, s := range of {
			f := s.finding
			f.Yard, f.Hive, f.State = w.yard.ID, w.hive.ID, outyard.Open
			f.Confidence = math.Round(100*min(f.Confidence, surest)) / 100
			f.Facts = rounded(f.Facts)
			f.Onset = s.from.Start(zoneOf(w.yard)).UTC()
			if (s.to != outyard.Date{}) {
				f.State, f.End = outyard.Over, s.to.Start(zoneOf(w.yard)).UTC()
			}
			out = append(out, f)
		}
	}
	return out
}
