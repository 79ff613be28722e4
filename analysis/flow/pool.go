package flow

import (
	"math"

	"outyard"
	"outyard/analysis/robust"
)

// pooled is what a yard's hives say together of one day.
type pooled struct {
	gainKg  float64 // of the yard's average hive; NaN when no hive spoke
	noiseKg float64 // standard error of gainKg
	hives   int     // that spoke
}

// A hiveState is what has been learnt of one hive.
type hiveState struct {
	shares   *robust.Window // its gain as a share of the yard's, on days that tell
	strength float64        // 1 is the yard's average hive
	quietTo  outyard.Date   // the last day on which it is not listened to
	dead     float64        // chance that no living colony is in it
}

// A pool learns how strong each hive is and how noisy the yard's scales are.
type pool struct {
	set       Settings
	hives     map[outyard.HiveID]*hiveState
	residuals *robust.Window // of single hives against the pool, kg
}

const (
	// A hive's strength is learnt from so many of its latest telling days, and
	// so many days of an average hive weigh against them, lest the first day
	// of a flow make giants and dwarfs.
	strengthDays, strengthPrior = 21, 4
	// Below this gain of the yard a hive's share of it is noise.
	tellingGainKg = 0.4
	// Strengths outside this are an instrument's, not a colony's.
	minStrength, maxStrength = 0.1, 4
	// How likely a colony dies on a day of the season (one of four in a year,
	// common practice) and how likely the keeper fills a hive again.
	diesChance, revivesChance = 0.0015, 0.01
	// An empty hive keeps its weight but for the scale's noise; a living colony
	// swings about its share of what the yard gains, of which even a weak one
	// takes some, and now and then does what it likes.
	emptyKg, wildKg          = 0.03, 0.5
	leastShare, livingSpread = 0.4, 0.5
	wildShare                = 0.1
	// While the others gain and lose less, that a hive keeps its weight says
	// nothing: so do all in the depth of winter.
	movesKg = 0.1
	// One day alone may not bury a colony: what it says for that is bounded (log
	// of the ratio of likelihoods), what it says for life is bounded less.
	mostForDeath, mostForLife = 1.5, 4
	// A full hive that gains so much has room after all.
	fullGainKg = 0.3
	// Residuals from which the noise of a scale is learnt, and how many must be
	// there before they outweigh the setting.
	noiseValues, noiseFewest = 120, 20
	// No scale in the open is better than this over a day, none that is worse
	// than the other is worth listening to.
	minNoiseKg, maxNoiseKg = 0.05, 0.8
)

func newPool(set Settings) *pool {
	return &pool{set: set, hives: map[outyard.HiveID]*hiveState{}, residuals: robust.NewWindow(noiseValues)}
}

func (p *pool) clone() *pool {
	c := &pool{set: p.set, hives: make(map[outyard.HiveID]*hiveState, len(p.hives)), residuals: p.residuals.Clone()}
	for id, h := range p.hives {
		c.hives[id] = &hiveState{shares: h.shares.Clone(), strength: h.strength, quietTo: h.quietTo, dead: h.dead}
	}
	return c
}

func (p *pool) hive(id outyard.HiveID) *hiveState {
	h, ok := p.hives[id]
	if !ok {
		h = &hiveState{shares: robust.NewWindow(strengthDays), strength: 1}
		p.hives[id] = h
	}
	return h
}

// day pools one day's gains. days is sorted by hive; wetKg is by how much water
// may have changed each.
func (p *pool) day(date outyard.Date, days []HiveDay, wetKg float64) pooled {
	var heard, full voices
	var all []float64 // of living hives
	for _, d := range days {
		h := p.hive(d.Hive)
		if d.Fed {
			h.quietTo = date.Add(p.set.FedDays)
		}
		if !h.quietTo.Before(date) {
			continue
		}
		if !outyard.Known(d.GainKg) || d.Coverage < p.set.MinCoverage {
			continue
		}
		if h.dead < 0.5 || d.GainKg < -p.set.MaxLossKg {
			all = append(all, d.GainKg)
		}
		if d.GainKg < -p.set.MaxLossKg || d.GainKg > p.set.MaxGainKg {
			continue
		}
		// Only that a full hive gains nothing says nothing: one that gains has
		// room after all, whatever is known of its boxes.
		if d.Full && d.GainKg < fullGainKg {
			full.add(h, d.GainKg)
		} else {
			heard.add(h, d.GainKg)
		}
	}
	heard, full = heard.living(wetKg), full.living(wetKg)
	hiveNoise := p.hiveNoiseKg()
	if len(heard.gains) == 0 && full.speak(hiveNoise) {
		heard = full
	}
	states, gains, strengths := heard.states, heard.gains, heard.strengths
	if len(gains) == 0 {
		return pooled{gainKg: math.NaN(), noiseKg: math.NaN()}
	}
	gain, weight := throughOrigin(strengths, gains, hiveNoise)
	for i, h := range states {
		p.residuals.Push(gains[i] - h.strength*gain)
		if math.Abs(gain) >= tellingGainKg {
			h.learn(gains[i] / gain)
		}
	}
	p.level(states)
	if gain > 0 && robust.Median(all) < 0 {
		// Most lost weight: what one or two gained is no nectar, which comes to
		// all, but may be what they robbed.
		return pooled{gainKg: math.NaN(), noiseKg: math.NaN()}
	}
	noise := math.Hypot(p.set.YardNoiseKg, hiveNoise/math.Sqrt(weight))
	return pooled{gainKg: gain, noiseKg: noise, hives: len(gains)}
}

// voices are the hives that are listened to on one day.
type voices struct {
	states           []*hiveState
	gains, strengths []float64
}

func (v *voices) add(h *hiveState, gainKg float64) {
	v.states = append(v.states, h)
	v.gains = append(v.gains, gainKg)
	v.strengths = append(v.strengths, h.strength)
}

// speak says whether full hives are worth listening to. While there is a flow
// they replace what they use: together losing weight they say that there is
// none.
func (v *voices) speak(hiveNoiseKg float64) bool {
	return robust.HuberMean(v.gains) < -hiveNoiseKg/math.Sqrt(float64(len(v.gains)))
}

// living weighs anew which hives have a colony in them, and leaves out those
// that likelier have none.
func (v voices) living(wetKg float64) voices {
	yard := make([]float64, len(v.states))
	for i := range v.states {
		var others, mates []float64
		for j, o := range v.states {
			if j != i {
				mates = append(mates, v.gains[j])
				if o.dead < 0.5 {
					others = append(others, v.gains[j])
				}
			}
		}
		if len(others) == 0 {
			others = mates
		}
		yard[i] = moved(others)
	}
	var alive voices
	for i, h := range v.states {
		if outyard.Known(yard[i]) {
			h.live(v.gains[i], yard[i], wetKg)
		}
		if h.dead < 0.5 {
			alive.add(h, v.gains[i])
		}
	}
	if len(alive.states) == 0 {
		return v
	}
	return alive
}

// moved is what the hives of a yard gained that gained or lost at all, 0 when
// those are too few to speak for the yard: one may have been fed. Half of a yard
// may be dead, so that the median of all would not do.
func moved(gains []float64) float64 {
	const fewest = 1.0 / 3
	var moving []float64
	for _, g := range gains {
		if math.Abs(g) >= movesKg {
			moving = append(moving, g)
		}
	}
	if len(gains) > 0 && float64(len(moving)) <= fewest*float64(len(gains)) {
		return 0
	}
	return robust.Median(moving)
}

// live weighs one day's gain for and against a colony being in the hive, given
// what the yard's other hives gained.
func (h *hiveState) live(gainKg, yardKg, wetKg float64) {
	share := max(h.strength, leastShare) * yardKg
	empty := studentT(gainKg, 0, math.Hypot(emptyKg, wetKg))
	colony := (1-wildShare)*studentT(gainKg, share, math.Hypot(math.Hypot(emptyKg, wetKg), livingSpread*share)) + wildShare*studentT(gainKg, 0, wildKg)
	most := mostForDeath
	if math.Abs(yardKg) < movesKg {
		most = 0
	}
	says := min(max(math.Log(empty/colony), -mostForLife), most)
	p := h.dead*(1-revivesChance) + (1-h.dead)*diesChance
	odds := p / (1 - p) * math.Exp(says)
	h.dead = odds / (1 + odds)
}

func (h *hiveState) learn(share float64) {
	h.shares.Push(min(max(share, minStrength), maxStrength))
	n := float64(h.shares.Known())
	h.strength = (n*h.shares.Median() + strengthPrior) / (n + strengthPrior)
}

// level keeps the strengths' mean at 1, so that the pooled gain stays that of
// the average hive.
func (p *pool) level(states []*hiveState) {
	sum := 0.0
	for _, h := range states {
		sum += h.strength
	}
	mean := sum / float64(len(states))
	if len(states) < 2 || !(mean > 0) {
		return
	}
	for _, h := range states {
		h.strength = min(max(h.strength/mean, minStrength), maxStrength)
	}
}

// hiveNoiseKg is the standard error of one hive's daily gain.
func (p *pool) hiveNoiseKg() float64 {
	n := p.residuals.Known()
	if n < noiseFewest {
		return p.set.HiveNoiseKg
	}
	// Weighed by how much was seen: residuals of two hives are smaller than
	// their noise, so the setting keeps a share.
	share := float64(noiseFewest) / float64(n)
	noise := math.Sqrt(share*p.set.HiveNoiseKg*p.set.HiveNoiseKg + (1-share)*math.Pow(p.residuals.MAD(), 2))
	return min(max(noise, minNoiseKg), maxNoiseKg)
}

// throughOrigin is the slope of gains over strengths through the origin, by
// Tukey's biweight around a start that outliers cannot move: the median of
// gain per strength. weight is the sum of the squared strengths, times their
// weights: slope has the error noiseKg/√weight.
func throughOrigin(strengths, gains []float64, noiseKg float64) (slope, weight float64) {
	const tuning, rounds = 4.685, 20 // Mosteller & Tukey 1977
	ratios := make([]float64, len(gains))
	for i, g := range gains {
		ratios[i] = g / strengths[i]
	}
	slope = robust.Median(ratios)
	rest := make([]float64, len(gains))
	for i, g := range gains {
		rest[i] = math.Abs(g - slope*strengths[i])
	}
	// The spread of few hives is a poor guess of itself, and gains differ more
	// on a good day: allow for both.
	scale := max(robust.MADScale*robust.Median(rest), noiseKg, 0.2*math.Abs(slope))
	for range rounds {
		var xy, xx float64
		for i, g := range gains {
			u := (g - slope*strengths[i]) / (tuning * scale)
			if u = u * u; u >= 1 {
				continue
			}
			w := (1 - u) * (1 - u)
			xy += w * g * strengths[i]
			xx += w * strengths[i] * strengths[i]
		}
		if !(xx > 0) {
			return slope, minStrength * minStrength
		}
		next := xy / xx
		weight = xx
		done := math.Abs(next-slope) < 1e-9
		slope = next
		if done {
			break
		}
	}
	return slope, weight
}
