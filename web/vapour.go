package web

import (
	"context"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"outyard"
	"outyard/analysis/air"
	"outyard/web/chart"
)

// vapour is the water vapour in the air, in pascals, inside a hive or, of the
// yard's weather (hive empty), outside. Warmth and humidity come down to their
// first and last reading of each pixel, and where both were read at one
// instant they give its vapour: each point is a true one, though of a long
// stretch not every peak is among them.
func (s *site) vapour(ctx context.Context, yard outyard.YardID, hive outyard.HiveID, from, to time.Time, pixels int) ([]chart.Bucket, error) {
	temp, rh := outyard.InsideTemp, outyard.InsideRH
	if hive == "" {
		temp, rh = outyard.OutsideTemp, outyard.OutsideRH
	}
	var warm, damp []chart.Bucket
	both, ctx := errgroup.WithContext(ctx)
	both.Go(func() (err error) {
		warm, err = s.buckets(ctx, yard, hive, temp, from, to, pixels)
		return err
	})
	both.Go(func() (err error) {
		damp, err = s.buckets(ctx, yard, hive, rh, from, to, pixels)
		return err
	})
	if err := both.Wait(); err != nil {
		return nil, err
	}
	return vapourOf(warm, damp), nil
}

// The names under which the API gives water vapour.
const (
	insideVapour  = "inside-vapour"
	outsideVapour = "outside-vapour"
)

// vapourEnds are the first and the last of the water vapour in a span.
func (s *site) vapourEnds(ctx context.Context, yard outyard.YardID, hive outyard.HiveID, sp span) (firstPa, lastPa float64, err error) {
	firstPa, lastPa = outyard.Unknown, outyard.Unknown
	b, err := s.vapour(ctx, yard, hive, sp.From, earlier(sp.From.AddDate(0, 0, endDays), sp.To), 1)
	if err != nil || len(b) == 0 {
		return firstPa, lastPa, err
	}
	firstPa, lastPa = b[0].First, b[len(b)-1].Last
	if later := sp.To.AddDate(0, 0, -endDays); later.After(sp.From) {
		if b, err = s.vapour(ctx, yard, hive, later, sp.To, 1); err == nil && len(b) > 0 {
			lastPa = b[len(b)-1].Last
		}
	}
	return firstPa, lastPa, err
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// vapourOf pairs what was read at one instant.
func vapourOf(warm, damp []chart.Bucket) []chart.Bucket {
	type pair struct{ temp, rh float64 }
	at := map[int64]pair{}
	note := func(t time.Time, set func(*pair)) {
		p, ok := at[t.Unix()]
		if !ok {
			p = pair{outyard.Unknown, outyard.Unknown}
		}
		set(&p)
		at[t.Unix()] = p
	}
	for _, b := range warm {
		note(b.FirstAt, func(p *pair) { p.temp = b.First })
		note(b.LastAt, func(p *pair) { p.temp = b.Last })
	}
	for _, b := range damp {
		note(b.FirstAt, func(p *pair) { p.rh = b.First })
		note(b.LastAt, func(p *pair) { p.rh = b.Last })
	}
	out := make([]chart.Bucket, 0, len(at))
	for unix, p := range at {
		if pa := air.VapourPa(p.temp, p.rh); outyard.Known(pa) {
			out = append(out, chart.One(time.Unix(unix, 0).UTC(), pa))
		}
	}
	slices.SortFunc(out, func(a, b chart.Bucket) int { return a.FirstAt.Compare(b.FirstAt) })
	return out
}
