package activity

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
)

// flight is the course of a day in kg: foragers out from nine, home by six with
// what they found.
func flight(strength float64) Shape {
	s := NewShape()
	for h := range s {
		out := math.Max(0, math.Sin((float64(h)-8)/11*math.Pi))
		s[h] = 40 + strength*(-0.3*out+0.06*math.Max(0, float64(h)-9))
	}
	return s
}

func warmDay() Shape {
	s := NewShape()
	for h := range s {
		s[h] = 15 + 6*math.Sin((float64(h)-9)/24*2*math.Pi)
	}
	return s
}

// season is ten days, five before and five after, of a hive that was as strong
// as its three neighbours and has the given strength after.
func season(after, perKKg, noiseKg float64, mates int) []Day {
	rng := rand.New(rand.NewPCG(3, 5))
	shake := func(s Shape) Shape {
		for h := range s {
			s[h] += noiseKg * rng.NormFloat64()
		}
		return s
	}
	var days []Day
	for i := range 10 {
		weather := 0.7 + 0.6*rng.Float64() // better and worse days, for all hives alike
		d := Day{TempC: warmDay(), After: i >= 5, Apart: max(5-i, i-4)}
		strength := 1.0
		if d.After {
			strength = after
		}
		own := flight(strength * weather)
		for h := range own {
			own[h] += perKKg * d.TempC[h]
		}
		d.Own = shake(own)
		for range mates {
			d.Mates = append(d.Mates, shake(flight(weather)))
		}
		days = append(days, d)
	}
	return days
}

func TestHowMuchBusierAHiveIsThanBefore(t *testing.T) {
	for _, c := range []struct {
		name            string
		days            []Day
		want, tolerance float64
	}{
		{"as busy as ever is 1", season(1, 0, 0.01, 3), 1, 0.1},
		{"half the foragers gone is a half", season(0.5, 0, 0.01, 3), 0.5, 0.1},
		{"a scale that moves with the warmth is seen through", season(0.5, 0.015, 0.01, 3), 0.5, 0.12},
		{"alone in its yard, less surely", season(0.5, 0, 0.01, 0), 0.5, 0.25},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := Compare(c.days)
			require.InDelta(t, c.want, got.Ratio, c.tolerance)
			require.Less(t, got.Standard, 0.2)
			require.InDelta(t, c.want, got.Ratio, 3*got.Standard+0.02, "and knows how sure it is")
		})
	}
}

func TestWithoutFlightNothingIsKnown(t *testing.T) {
	for name, days := range map[string][]Day{
		"no days":          nil,
		"no days after":    season(1, 0, 0.01, 3)[:5],
		"no days before":   season(1, 0, 0.01, 3)[5:],
		"a dead hive":      deadBefore(season(1, 0, 0.01, 3)),
		"nothing measured": {{Own: NewShape(), Mates: []Shape{NewShape()}, TempC: NewShape()}, {Own: NewShape(), TempC: NewShape(), After: true}},
	} {
		t.Run(name, func(t *testing.T) { require.False(t, outyard.Known(Compare(days).Ratio)) })
	}
}

func deadBefore(days []Day) []Day {
	for i := range days {
		for h := range days[i].Own {
			days[i].Own[h] = 20 + 0.01*math.Sin(float64(7*h+i))
		}
	}
	return days
}

// A hive that swarms again, or a mate that does, some days after what is asked
// about, hardly changes the answer.
func TestTheDaysNextToTheFallCountMost(t *testing.T) {
	days := season(1, 0, 0.01, 3)
	for _, d := range season(0.5, 0, 0.01, 3) {
		if d.After && d.Apart > 3 {
			days[4+d.Apart] = d
		}
	}
	require.InDelta(t, 1, Compare(days).Ratio, 0.1)
}
