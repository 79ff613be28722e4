package simulator

import (
	"math"
	"time"

	"outyard"
)

// Weights of parts, as the words of the trade give them.
var (
	deepKg      = emptyKg("deep-10")
	lidKg       = emptyKg("inner-cover") + emptyKg("lid")
	standing    = []outyard.Part{"floor", "deep-10", "deep-10", "inner-cover", "lid"}
	superPart   = outyard.Part("medium-10")
	visitGapDay = curve{{1, 30}, {60, 18}, {95, 11}, {200, 11}, {215, 14}, {260, 18}, {300, 30}, {366, 30}}
)

func emptyKg(p outyard.Part) float64 {
	info, _ := p.Info()
	return info.EmptyKg
}

// A visit is the keeper at a hive.
type visit struct {
	span
	lifts    []lift
	unrestKg float64 // hands and hive tool on the boxes
	openLid  float64 // 0 to 1, how far the hive is open to the weather
}

// A lift is what is off the scale for a while; infinite for all of it.
type lift struct {
	span
	kg float64
}

func (v *visit) on(t int64, kg float64) float64 {
	if !v.has(t) {
		return kg
	}
	for _, l := range v.lifts {
		if l.has(t) {
			kg = max(0, kg-l.kg)
		}
	}
	return kg
}

// A job is what the keeper goes to a hive for.
type job struct {
	what    outyard.EntryKind
	minutes float64
	depth   int // boxes taken off: 0 the lid only, then one by one, wholeHive all
	part    outyard.Part
	quiet   bool // no lid off as far as the scale can tell
	do      func(h *hive)
}

const wholeHive = 99

// arrange plans a job to begin at an instant and says when it ends.
func (h *hive) arrange(at int64, j job) (end int64) {
	length := max(90, int64(60*j.minutes))
	end = at + length
	mid := at + length/2
	v := visit{span: span{at, end}, unrestKg: h.rng.between(0.15, 0.6), openLid: clamp(0.25+float64(j.depth)*0.25, 0, 1)}
	boxes := []float64{lidKg}
	inSupers := max(0, h.colony.storesKg()-leftKg)
	for range h.supers {
		boxes = append(boxes, h.superKg+inSupers/float64(h.supers))
	}
	boxes = append(boxes, deepKg+0.5*(h.colony.storesKg()-inSupers)+0.3*h.colony.beesKg())
	count := min(j.depth+1, len(boxes))
	if j.quiet {
		boxes, count, v.openLid = []float64{h.rng.between(-0.8, 2.5)}, 1, 0.3
	}
	for i := range count {
		// Off one after the other in the first half, back in the second.
		early := int64(float64(length) * 0.45 * (float64(i) + h.rng.between(0.1, 0.9)) / float64(count))
		late := int64(float64(length) * 0.45 * (float64(i) + h.rng.between(0.1, 0.9)) / float64(count))
		kg := boxes[i]
		if !j.quiet && h.rng.chance(0.15) {
			kg *= h.rng.between(0.1, 0.6) // leans on the hive
		}
		v.lifts = append(v.lifts, lift{span{at + early, end - late}, kg})
	}
	if j.depth == wholeHive {
		v.lifts = append(v.lifts, lift{span{mid - length/8, mid + length/8}, math.Inf(1)})
	}
	h.plan(at, func(h *hive) { h.visit = v })
	h.plan(mid, func(h *hive) {
		own, shown, supers := h.ownAll(), h.meter.offsetKg, h.supers
		if j.do != nil {
			j.do(h)
		}
		put := h.ownAll() - own
		h.handledKg += put
		h.yard.engine.label(Label{Kind: outyard.Handling, What: string(j.what), Yard: h.yard.id, Hive: h.id,
			Time: time.Unix(at, 0).UTC(), End: time.Unix(end, 0).UTC(), NetKg: round(put+h.meter.offsetKg-shown, 1000), Part: j.part,
			Boxes: max(supers-h.supers, 0)})
	})
	return end
}

// planKeeper decides whether the keeper comes today, and to do what.
func (y *yard) planKeeper(midnight int64, look outlook) {
	rates := &y.engine.opt.Rates
	if rates.Visits <= 0 || midnight < y.nextVisit || y.scripted(midnight) {
		return
	}
	season := y.doy > 85 && y.doy < 285
	good := look.dry() && look.maxC >= 11
	if y.waited < 6 && (season && !good || !season && look.rainMm > 4) {
		y.waited++
		return
	}
	y.waited = 0
	y.nextVisit = midnight + int64(visitGapDay.at(y.doy)/rates.Visits*y.rng.between(0.7, 1.3)*daySec)
	closing, t := midnight+int64(18.5*3600), midnight+y.rng.seconds(9*60, 14.5*60)
	if !season {
		closing = midnight + 16*3600
	}
	for _, h := range y.hives {
		if h.gone || h.down.has(midnight+daySec/2) || h.rng.chance(0.12) {
			continue
		}
		if t > closing {
			break
		}
		end := h.arrange(t, h.choose(season && good))
		h.planWander(end)
		t = end + y.rng.seconds(1, 8)
		h.plan(t, func(h *hive) { h.battery.lookAt() })
	}
}

// scripted says that the script has plans for one of the yard's hives today;
// the usual work then waits, so that it does not get into their way.
func (y *yard) scripted(midnight int64) bool {
	today := span{midnight, midnight + daySec}
	for _, ev := range y.engine.opt.Script {
		if ev.Yard == y.id && today.has(ev.Time.Unix()) {
			return true
		}
	}
	return false
}

// choose is the keeper's mind at a hive.
func (h *hive) choose(opened bool) job {
	c, doy, rng := &h.colony, h.yard.doy, h.rng
	rates := &h.yard.engine.opt.Rates
	autumn := doy > 248 && doy < 292
	lacking := 24 - c.storesKg() - c.syrupKg
	splitDraw, setDraw := rng.Float64(), rng.Float64()
	alive := c.beesKg() > 0.4
	switch {
	case alive && !h.lean && (c.storesKg()+c.syrupKg < 5 && (doy < 120 || doy > 240) || autumn && lacking > 2 && h.supers == 0):
		return feedJob(rng, clamp(lacking, 1, 6))
	case opened && h.supers > 0 && doy > 197 && (c.storesKg() > leftKg+8 || h.lean && c.storesKg() > leanShare*leftKg+8):
		return harvestJob(rng)
	case opened && h.supers > 0 && doy > 240:
		return boxOffJob(rng)
	case opened && doy > 95 && doy < 198 && h.supers < 4 && (h.supers == 0 && doy > 110 && c.beesKg() > 2 || c.roomKg-c.storesKg() < 10):
		return boxOnJob(rng)
	case opened && !h.spared && doy > 110 && doy < 170 && c.beesKg() > 2.4 && splitDraw < rates.Splits/4:
		return splitJob(rng, 0)
	case setDraw < rates.ScaleSets/20:
		return scaleSetJob(rng, 0)
	case !h.stone && doy > 275 || h.stone && doy > 95 && doy < 200:
		return job{what: outyard.Visit, minutes: rng.between(1.5, 5), quiet: true, do: func(h *hive) { h.stone = !h.stone }}
	case opened && doy > 228 && doy < 250 || doy > 345 && rng.chance(0.5):
		return job{what: outyard.Treated, minutes: rng.between(2, 7)}
	case opened:
		return inspectJob(rng, h.supers)
	}
	return job{what: outyard.Visit, minutes: rng.between(1.5, 4), quiet: rng.chance(0.6)} // a look under the lid, a heft
}

func inspectJob(rng dice, supers int) job {
	j := job{what: outyard.Visit, minutes: rng.between(4, 26), depth: rng.IntN(supers + 2)}
	if rng.chance(0.07) {
		j.depth = wholeHive
	}
	return j
}

func feedJob(rng dice, kg float64) job {
	return job{what: outyard.Fed, minutes: rng.between(2, 8), do: func(h *hive) { h.colony.syrupKg += kg }}
}

func boxOnJob(rng dice) job {
	return job{what: outyard.BoxOn, minutes: rng.between(3, 20), depth: rng.IntN(2), part: superPart, do: func(h *hive) { h.setSupers(h.supers + 1) }}
}

func boxOffJob(rng dice) job {
	return job{what: outyard.BoxOff, minutes: rng.between(4, 20), depth: 1, part: superPart, do: func(h *hive) { h.setSupers(max(0, h.supers-1)) }}
}

func (h *hive) setSupers(n int) {
	h.supers = n
	h.colony.roomKg = broodRoomKg + float64(n)*superRoomKg
}

// harvestJob takes one super or two with their honey, and leaves the brood
// boxes theirs.
func harvestJob(rng dice) job {
	takes, leaves, most := 1, rng.between(0.9, 1.3)*leftKg, rng.between(24, 30)
	if rng.chance(0.3) {
		takes = 2
	}
	return job{what: outyard.HoneyTaken, minutes: rng.between(8, 35), depth: takes, part: superPart, do: func(h *hive) {
		n, leaves := min(takes, h.supers), leaves
		if h.lean {
			leaves *= leanShare
		}
		honey := max(0, h.colony.storesKg()-leaves) * float64(n) / float64(max(1, h.supers))
		honey = min(honey, float64(n)*superRoomKg)
		honey = min(honey, most-float64(n)*h.superKg) // what is carried off at one go
		h.colony.give(0, honey, 0)
		h.setSupers(h.supers - n)
	}}
}

// splitJob takes some combs with bees and brood to begin another colony; empty
// combs take their place. kg 0 is an amount by chance.
func splitJob(rng dice, kg float64) job {
	if kg == 0 {
		kg = rng.between(1.5, 3)
	}
	return job{what: outyard.Split, minutes: rng.between(6, 25), depth: rng.IntN(3), do: func(h *hive) { h.takeCombs(kg, 0.55) }}
}

// takeCombs takes so many kg of bees, brood and honey, as far as there is.
func (h *hive) takeCombs(kg, beesShare float64) {
	c := &h.colony
	brood := min(0.25*kg, 0.5*c.broodMassKg)
	bees := min(beesShare*kg, 0.5*c.beesKg())
	share := 0.0
	if c.broodMassKg > 0 {
		share = brood / c.broodMassKg
	}
	c.give(bees, kg-brood-bees, share)
}

// sneakyJob is short midday work that takes something from a hive without any
// box being lifted, so that it looks like a swarm.
func sneakyJob(rng dice) job {
	kg := rng.between(1, 3)
	return job{what: outyard.Visit, minutes: rng.between(3, 12), quiet: true, do: func(h *hive) { h.takeCombs(kg, 0.3) }}
}

// scaleSetJob lifts the hive off and sets the scale, which then shows another
// weight. kg 0 is a step by chance.
func scaleSetJob(rng dice, kg float64) job {
	if kg == 0 {
		kg = math.Copysign(rng.between(0.5, 6), rng.Float64()-0.5)
	}
	return job{what: outyard.ScaleSet, minutes: rng.between(4, 12), depth: wholeHive, do: func(h *hive) { h.meter.offsetKg += kg }}
}
