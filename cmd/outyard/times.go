package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"outyard"
	"outyard/store"
)

// readInstant reads a time given on the command line: RFC 3339, or a date for
// its first instant in UTC.
func readInstant(flag, s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	if d, err := outyard.ParseDate(s); err == nil {
		return d.Start(time.UTC), nil
	}
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return time.Time{}, useWrongly("--%s %q: want a date such as 2027-05-14 or a time such as 2027-05-14T18:40:00Z", flag, s)
	}
	return t.UTC(), nil
}

// asked are the flags that say what is wanted of the store.
type asked struct {
	from, to, yard, hive string
}

func (a *asked) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&a.from, "from", "", "from this `TIME` on: a date, in UTC, or RFC 3339")
	f.StringVar(&a.to, "to", "", "to before this `TIME`")
	f.StringVar(&a.yard, "yard", "", "only of the yard with this `ID`")
	f.StringVar(&a.hive, "hive", "", "only of the hive with this `ID`")
}

func (a *asked) query() (q store.Query, err error) {
	if q.From, err = readInstant("from", a.from); err != nil {
		return q, err
	}
	if q.To, err = readInstant("to", a.to); err != nil {
		return q, err
	}
	if !q.To.IsZero() && !q.To.After(q.From) {
		return q, useWrongly("--to %s is not after --from %s", a.to, a.from)
	}
	q.Yard, q.Hive = outyard.YardID(a.yard), outyard.HiveID(a.hive)
	if a.yard != "" {
		if err := q.Yard.Check(); err != nil {
			return q, usageError{fmt.Errorf("--yard: %w", err)}
		}
	}
	if a.hive != "" {
		if err := q.Hive.Check(); err != nil {
			return q, usageError{fmt.Errorf("--hive: %w", err)}
		}
	}
	return q, nil
}
