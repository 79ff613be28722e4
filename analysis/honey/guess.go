package honey

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"outyard"
)

// A work is what the keeper did by the scale alone, and what is known that may
// explain it.
type work struct {
	kg       float64 // by how much she made the hive heavier or, negative, lighter
	date     outyard.Date
	latitude float64
	stores   Amount // before it
	flowing  bool   // nectar comes in
	box      bool   // the journal says that it was a box, not which
	stones   bool   // she is known to lay stones on lids
	back     bool   // a box was taken off within days, and may come back
}

// A guess is what a work is taken for.
type guess struct {
	parts   []outyard.Part
	what    string  // in words; empty for no box
	errorKg float64 // standard error of the parts' weight because of it
}

// An explanation is one that a work may have.
type explanation struct {
	parts  []outyard.Part
	what   string
	boxKg  float64 // of empty boxes, or of a stone, that came or, negative, went
	weight float64
}

// How sure things are that scales do not tell (common practice, no source).
const (
	// A box weighs what the table says to within so much of it, foundation in
	// place of comb and the scale's error after work included.
	boxSpread, workErrorKg = 0.08, 0.2
	// Feed, combs, a stone: anything up to so much is as likely as another. A
	// top feeder takes up to 12 kg of syrup; more combs than 8 kg taken off
	// without a box are taken one by one.
	feedMostKg, combsMostKg = 12, 8
	// Heavier than that it is hardly ever.
	otherHeavy = 0.02
)

// boxesComeShare is how often a weight put on in that month is a box rather
// than feed or combs: before and in the flows it mostly is, after the harvest
// and in winter hardly ever.
var boxesComeShare = table{0.05, 0.1, 0.35, 0.7, 0.85, 0.85, 0.7, 0.25, 0.06, 0.05, 0.05, 0.05}

// guessWork weighs what a work may have been, box by box of the kinds that the
// hive has, and takes the likeliest. How unsure that is goes into the error.
func guessWork(parts []outyard.Part, w work) guess {
	top := topBox(parts)
	if top < 0 || !outyard.Known(w.kg) || math.Abs(w.kg) < leastStoneKg {
		return guess{parts: parts}
	}
	cases := []explanation{{parts: parts, weight: w.noBox()}}
	cases = append(cases, w.stone(parts)...)
	switch {
	case math.Abs(w.kg) < leastWorkKg:
	case w.kg > 0:
		cases = append(cases, w.putOn(parts, top)...)
	default:
		cases = append(cases, w.takenOff(parts)...)
	}
	sum, best := 0.0, cases[0]
	for _, c := range cases {
		sum += c.weight
		if c.weight > best.weight {
			best = c
		}
	}
	if !(sum > 0) {
		return guess{parts: best.parts, what: best.what}
	}
	variance := 0.0
	for _, c := range cases {
		variance += c.weight / sum * math.Pow(c.boxKg-best.boxKg, 2)
	}
	return guess{parts: best.parts, what: best.what, errorKg: math.Sqrt(variance)}
}

// leastWorkKg is lighter than any box, leastStoneKg lighter than a stone on a
// lid.
const leastWorkKg, leastStoneKg = 3, 1.5

// stone is the stone that may have gone from the lid or, where stones are
// known to be laid, come on it: 2 to 3 kg (common practice, no source), mostly
// for the winter's storms.
func (w work) stone(parts []outyard.Part) []explanation {
	const spreadKg, goes, comes = 0.35, 0.3, 0.3
	in, _ := stone.Info()
	fits := distuv.Normal{Mu: in.EmptyKg, Sigma: spreadKg}.Prob(math.Abs(w.kg))
	lies := slices.Contains(parts, stone)
	switch {
	case w.box:
	case w.kg < 0 && lies:
		return []explanation{{parts: takeOff(slices.Clone(parts), stone), what: "the stone taken off the lid", boxKg: -in.EmptyKg, weight: goes * fits}}
	case w.kg > 0 && w.stones && !lies:
		return []explanation{{parts: append(slices.Clone(parts), stone), what: "a stone laid on the lid", boxKg: in.EmptyKg,
			weight: comes * stoneSeason.on(w.date, w.latitude) * fits}}
	}
	return nil
}

// stoneSeason is how usual it is to lay a stone on a lid, 1 at most: before the
// storms of winter (common practice, no source).
var stoneSeason = table{1, 1, 0.5, 0.1, 0.05, 0.05, 0.05, 0.1, 0.5, 1, 1, 1}

// noBox is how likely a work is that moved no box.
func (w work) noBox() float64 {
	if w.box {
		return 0
	}
	most := float64(feedMostKg)
	if w.kg < 0 {
		most = combsMostKg
	}
	density := 1 / most
	if math.Abs(w.kg) > most {
		density *= otherHeavy
	}
	if w.kg > 0 {
		return density * (1 - w.boxComes())
	}
	return density * 0.3
}

// boxComes is how often what is put on now is a box.
func (w work) boxComes() float64 {
	share := boxesComeShare.on(w.date, w.latitude)
	odds := share / (1 - share)
	if w.flowing {
		odds *= 2
	} else {
		odds /= 2
	}
	if w.stores.Known() && !w.flowing { // a hungry hive is fed
		odds *= math.Exp(-hungryNats * surely(hungryKg-w.stores.Value, w.stores.Error))
	}
	if w.back {
		odds = max(odds, backOdds)
	}
	return odds / (1 + odds)
}

// backOdds are those of a box that was taken off days ago, against sugar.
const backOdds = 2

// hungryKg are stores under which a keeper feeds where nothing comes in, and
// hungryNats how much likelier that makes sugar than a box.
const hungryKg, hungryNats = 8, 3

// putOn are the boxes that may have come: of the kinds that have as many
// frames as the hive's uppermost.
func (w work) putOn(parts []outyard.Part, top int) []explanation {
	frames := "-10"
	if strings.HasSuffix(string(parts[top]), "-8") {
		frames = "-8"
	}
	var cases []explanation
	for _, kind := range []string{"shallow", "medium", "deep"} {
		p := outyard.Part(kind + frames)
		in, _ := p.Info()
		often := 0.2
		if slices.Contains(parts, p) || kind == "medium" {
			often = 0.6 // keepers have few sizes
		}
		with := slices.Clone(parts)
		for n := 1; n <= 2; n++ {
			with = putOn(with, p)
			kg := float64(n) * in.EmptyKg
			share := often
			if n == 2 {
				share *= 0.1
			}
			cases = append(cases, explanation{parts: with, boxKg: kg, what: boxWords(n, p, "put on"),
				weight: w.boxComes() * share * w.fits(kg)})
			with = slices.Clone(with)
		}
	}
	return cases
}

// fits is how well a weight agrees with that of so many kilograms of boxes.
func (w work) fits(boxKg float64) float64 {
	return distuv.Normal{Mu: boxKg, Sigma: boxSpread*boxKg + workErrorKg}.Prob(math.Abs(w.kg))
}

// takenOff are the boxes that may have gone from the top, empty or with honey
// in them, the lowest never.
func (w work) takenOff(parts []outyard.Part) []explanation {
	var cases []explanation
	const mostBoxes = 3
	left := slices.Clone(parts)
	emptyKg, holdKg, seldom := 0.0, 0.0, 1.0
	before := boxesOf(parts, 0)
	for n := 1; n <= mostBoxes; n++ {
		i := topBox(left)
		if i < 0 || topBox(left[:i]) < 0 {
			break
		}
		in, _ := left[i].Info()
		p := left[i]
		if nest(left, i) {
			seldom *= nestTaken
		}
		left = slices.Delete(slices.Clone(left), i, i+1)
		emptyKg, holdKg = emptyKg+in.EmptyKg, holdKg+in.HoneyKg
		honeyKg := -w.kg - emptyKg
		spread := boxSpread*emptyKg + workErrorKg
		if honeyKg < -3*spread || honeyKg > 1.15*holdKg+3*spread {
			continue
		}
		// Empty again, or with the share of the honey that lies above the brood.
		empty := distuv.Normal{Sigma: spread}.Prob(honeyKg)
		full := 1 / holdKg
		if w.stores.Known() && before.supers > 0 {
			above := min(before.supers, max(0, w.stores.Value-0.8*nestShare.on(w.date, w.latitude)*before.nest))
			expect := min(1, holdKg/before.supers) * above
			full = distuv.Normal{Mu: expect, Sigma: math.Hypot(0.25*holdKg, w.stores.Error)}.Prob(honeyKg)
		}
		// Combs hold no more than they hold, give or take what tables disagree by.
		full *= distuv.UnitNormal.CDF((1.05*holdKg - honeyKg) / (0.05*holdKg + spread))
		share := seldom * 0.7 * []float64{0.65, 0.28, 0.07}[n-1]
		cases = append(cases, explanation{parts: left, boxKg: -emptyKg, what: boxWords(n, p, "taken off"),
			weight: share * (0.3*empty + 0.7*full)})
	}
	return cases
}

// nestTaken is how seldom a box of the brood nest is taken off, to a super: its
// brood and bees stay on the hive (common practice, no source).
const nestTaken = 0.05

func boxWords(n int, p outyard.Part, done string) string {
	if n > 1 {
		return fmt.Sprintf("%d boxes (%s) %s", n, p, done)
	}
	return fmt.Sprintf("a box (%s) %s", p, done)
}

// An assumption is a guess that the stores rest on.
type assumption struct {
	date outyard.Date
	kg   float64
	what string
}

func (a assumption) String() string {
	return fmt.Sprintf("%s: %+.1f kg taken for %s", a.date.Start(time.UTC).Format("2 January"), a.kg, a.what)
}

// keepAssumptions is how many of the latest guesses are told.
const keepAssumptions = 3
