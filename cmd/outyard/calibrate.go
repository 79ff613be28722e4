package main

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"outyard"
)

const (
	// usualLoadKg is a hive with a super on it (common practice, no source).
	usualLoadKg = 40
	// leastShare of the usual load must lie between the two weights, or the
	// line through them says little about a hive (common practice, no source).
	leastShare = 0.2
	// usualErrorKg is what one reading may be off: the most that the noise of
	// an averaging amplifier makes, 5 to 50 g (common practice, no source).
	usualErrorKg = 0.05
)

func newCalibrate() *cobra.Command {
	var c calibration
	var yard, hive string
	cmd := &cobra.Command{
		Use:   "calibrate KG=COUNTS KG=COUNTS",
		Short: "Work out a scale's calibration from two known weights",
		Long: `Works out what goes below "scale" in the config from two known weights and the
raw counts that the scale showed under them; the lighter one may be 0, the empty
scale. Put the weights on when it is dry, calm and shady, leave each for a
minute at least, and use one near a full hive's: the error grows with the
distance from them. With --yard and --hive the result is compared with the
calibration that is in the config.`,
		Example: "  outyard calibrate 0=84213 20=512613\n  outyard calibrate 10=298413 40=940413 --yard heron-point --hive h01",
		Args:    cobra.ExactArgs(2),
	}
	f := cmd.Flags()
	f.Float64Var(&c.usualKg, "usual", usualLoadKg, "what the hive usually weighs, in `KG`")
	f.Float64Var(&c.errorKg, "error", usualErrorKg, "by how many `KG` a weight or its reading may be off")
	f.Float64Var(&c.perDegreeKg, "per-degree", 0, "how many `KG` a warming by 1 °C adds by itself")
	f.Float64Var(&c.tempC, "temp", outyard.ScaleTempC, "the air's temperature in `°C` at the calibration")
	f.StringVar(&yard, "yard", "", "the yard with this `ID`")
	f.StringVar(&hive, "hive", "", "its hive with this `ID`")
	format := chooseFormat(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		for i, arg := range args {
			var err error
			if c.points[i], err = readPoint(arg); err != nil {
				return usageError{err}
			}
		}
		if (yard == "") != (hive == "") {
			return useWrongly("--yard and --hive go together")
		}
		scale, err := c.scale()
		if err != nil {
			return err
		}
		if yard != "" {
			before, err := scaleInConfig(cmd, outyard.YardID(yard), outyard.HiveID(hive))
			if err != nil {
				return err
			}
			if before != nil && before.PerKgRaw*scale.PerKgRaw < 0 {
				return fmt.Errorf("counts go down where by the config (per_kg_raw %s) they go up, or the other way round: was the cell wired anew or the wrong way, or are the weights mixed up? If it is right, take the old scale out of the config first", number(before.PerKgRaw))
			}
		}
		out := cmd.OutOrStdout()
		header := []string{"zero_raw", "per_kg_raw", "per_degree_kg", "usual_kg", "error_kg"}
		row := []string{number(scale.ZeroRaw), number(scale.PerKgRaw), number(scale.PerDegreeKg), number(c.usualKg), strconv.FormatFloat(c.errorAt(c.usualKg), 'f', 3, 64)}
		if format.word != "table" {
			return show(out, format, header, [][]string{row})
		}
		_, err = fmt.Fprintf(out, "scale: {zero_raw: %s, per_kg_raw: %s, per_degree_kg: %s}\nat %s kg it may be off by %s kg, when each weight and its reading may be off by %s kg\n",
			row[0], row[1], row[2], row[3], row[4], number(c.errorKg))
		return err
	}
	return cmd
}

// A calibrationPoint is a known weight and the counts under it.
type calibrationPoint struct{ kg, raw float64 }

func readPoint(s string) (p calibrationPoint, err error) {
	kg, raw, ok := strings.Cut(s, "=")
	if ok {
		p.kg, err = strconv.ParseFloat(kg, 64)
		if err == nil {
			p.raw, err = strconv.ParseFloat(raw, 64)
		}
	}
	if !ok || err != nil || !outyard.Known(p.kg) || !outyard.Known(p.raw) {
		return p, fmt.Errorf("%q: want a weight in kg and the counts under it, such as 20=512613", s)
	}
	return p, nil
}

// A calibration is what is known when a scale is calibrated.
type calibration struct {
	points      [2]calibrationPoint
	usualKg     float64
	errorKg     float64 // of each point, independent
	perDegreeKg float64
	tempC       float64
}

// coarsestKg is the largest step that is of use: the gain of a fair day in a weak
// flow (common practice, no source). Converters of load cells step by grams.
const coarsestKg = 0.2

// scale lays the line through the two points.
func (c calibration) scale() (outyard.Scale, error) {
	p, q := c.points[0], c.points[1]
	switch {
	case !(c.usualKg > 0) || math.IsInf(c.usualKg, 0):
		return outyard.Scale{}, useWrongly("--usual %v: want a weight above 0 kg", c.usualKg)
	case !(c.errorKg >= 0) || math.IsInf(c.errorKg, 0):
		return outyard.Scale{}, useWrongly("--error %v: want a weight, 0 kg or more", c.errorKg)
	case !outyard.Known(c.perDegreeKg) || !outyard.Known(c.tempC):
		return outyard.Scale{}, useWrongly("--per-degree %v and --temp %v: want numbers", c.perDegreeKg, c.tempC)
	case p.raw == q.raw:
		return outyard.Scale{}, fmt.Errorf("both weights gave %s counts: the scale did not move: see that the weight rests on it alone, and that the cell is connected", number(p.raw))
	case math.Abs(q.kg-p.kg) < leastShare*c.usualKg:
		return outyard.Scale{}, fmt.Errorf("the weights are %s kg apart, less than %.0f %% of the usual %s kg: too near for a line that reaches that far; take a heavier one, of %s kg or more beyond the other",
			number(math.Abs(q.kg-p.kg)), 100*leastShare, number(c.usualKg), number(leastShare*c.usualKg))
	}
	perKg := (q.raw - p.raw) / (q.kg - p.kg)
	// What the scale shows at the temperature of the calibration must be true
	// there: Scale.WeightKg takes the drift from ScaleTempC to it off again.
	drift := c.perDegreeKg * (c.tempC - outyard.ScaleTempC)
	s := outyard.Scale{ZeroRaw: p.raw - perKg*(p.kg+drift), PerKgRaw: perKg, PerDegreeKg: c.perDegreeKg}
	if !outyard.Known(s.PerKgRaw) || !outyard.Known(s.ZeroRaw) || s.PerKgRaw == 0 {
		return outyard.Scale{}, errors.New("the counts are beyond what a scale can show: look at them again")
	}
	if oneKg := 1 / math.Abs(perKg); oneKg > coarsestKg {
		return outyard.Scale{}, fmt.Errorf("one count would be %s kg, and more than %s kg is too coarse to see a day's gain: look at the counts again, they are those of the cell's converter",
			number(math.Round(oneKg*1000)/1000), number(coarsestKg))
	}
	return s, nil
}

// errorAt is by how much a weight read on the line may be off: the errors of
// the two points, carried along it, and added as independent ones are.
func (c calibration) errorAt(kg float64) float64 {
	p, q := c.points[0].kg, c.points[1].kg
	return c.errorKg * math.Hypot((q-kg)/(q-p), (kg-p)/(q-p))
}

func scaleInConfig(cmd *cobra.Command, yard outyard.YardID, hive outyard.HiveID) (*outyard.Scale, error) {
	cfg, err := loadConfig(cmd)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(cfg.Yards, func(y outyard.Yard) bool { return y.ID == yard })
	if i < 0 {
		return nil, fmt.Errorf("yard %s is not in the config: add it there", yard)
	}
	h, ok := cfg.Yards[i].Hive(hive)
	if !ok {
		return nil, fmt.Errorf("hive %s of yard %s is not in the config: add it there", hive, yard)
	}
	return h.Scale, nil
}

// number shows a number as a person writes it, to nine digits: no converter
// has more.
func number(v float64) string {
	nine, err := strconv.ParseFloat(strconv.FormatFloat(v, 'e', 8, 64), 64)
	if err != nil {
		nine = v // only what no digits can show
	}
	return strconv.FormatFloat(nine, 'f', -1, 64)
}
