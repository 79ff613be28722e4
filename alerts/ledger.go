package alerts

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"outyard"
)

// A Ledger gives findings an identity that outlives re-evaluation: the same
// finding found again keeps its id and the instant at which it was first
// raised, one that is no longer found is withdrawn and says so. It is pure: no
// clock, no store; live and replay use it alike.
//
// A ledger takes whatever it is not shown for gone, so it is given the whole
// of what it answers for each time: one ledger for each yard.
type Ledger struct {
	living    []*outyard.Finding            // found at the last reconciling, ordered by compareFindings
	withdrawn map[thread][]*outyard.Finding // by onset
	byID      map[string]*outyard.Finding

	settled time.Time                   // see Settle
	lasting map[thread]*outyard.Finding // open since before
}

// A thread holds the findings that may turn out to be the same one.
type thread struct {
	kind outyard.Kind
	yard outyard.YardID
	hive outyard.HiveID
}

func threadOf(f *outyard.Finding) thread { return thread{f.Kind, f.Yard, f.Hive} }

func (t thread) compare(u thread) int {
	return cmp.Or(cmp.Compare(t.kind, u.kind), cmp.Compare(t.yard, u.yard), cmp.Compare(t.hive, u.hive))
}

// A Change is a finding before and after a reconciling. Was is the zero
// Finding, without an id, for one that is new.
type Change struct{ Was, Is outyard.Finding }

// New says that the finding was not known before.
func (c Change) New() bool { return c.Was.ID == "" }

// NewLedger returns a ledger that knows what an earlier one did.
func NewLedger(known []outyard.Finding) *Ledger {
	l := &Ledger{withdrawn: map[thread][]*outyard.Finding{}, byID: make(map[string]*outyard.Finding, len(known))}
	for _, f := range known {
		l.byID[f.ID] = &f
		if f.State == outyard.Withdrawn {
			l.shelve(&f)
		} else {
			l.living = append(l.living, &f)
		}
	}
	slices.SortFunc(l.living, compareFindings)
	return l
}

// Reconcile takes everything that is found as of now and returns the findings
// that this changes, new and withdrawn ones among them, by onset.
func (l *Ledger) Reconcile(found []outyard.Finding, now time.Time) []outyard.Finding {
	changes := l.Changes(found, now)
	changed := make([]outyard.Finding, len(changes))
	for i, c := range changes {
		changed[i] = c.Is
	}
	return changed
}

// Changes is Reconcile for those who need to know what there was before.
func (l *Ledger) Changes(found []outyard.Finding, now time.Time) []Change {
	var changes []Change
	take := func(known, f *outyard.Finding) {
		if c, differs := retake(known, f); differs {
			changes = append(changes, c)
		}
	}
	fresh := make([]*outyard.Finding, 0, len(found))
	for i := range found {
		f := &found[i]
		switch {
		case f.State == outyard.Withdrawn: // said to be gone is gone
		case f.Onset.Before(l.settled):
			l.goOn(f, take)
		default:
			fresh = append(fresh, f)
		}
	}
	if !slices.IsSortedFunc(fresh, compareFound) {
		slices.SortStableFunc(fresh, compareFound)
	}

	// Nearly all are where they were. Both lists are sorted, so one walk
	// finds these, and only what is left over is searched for.
	gone, left := l.walk(fresh, take)
	if len(gone)+len(left) == 0 {
		return changes
	}

	gone, left = pairNearest(gone, left, take)
	left = l.reopen(left, take)
	slices.SortStableFunc(left, compareFound)
	for _, f := range left {
		is := *f
		is.ID, is.ToldAt = l.freeID(&is), now
		l.byID[is.ID] = &is
		l.living = append(l.living, &is)
		changes = append(changes, Change{Is: is})
	}
	for _, known := range gone {
		was := *known
		l.withdraw(known, left, now)
		changes = append(changes, Change{Was: was, Is: *known})
	}
	l.living = slices.DeleteFunc(l.living, func(f *outyard.Finding) bool { return f.State == outyard.Withdrawn })
	slices.SortFunc(l.living, compareFindings)
	slices.SortFunc(changes, func(a, b Change) int { return compareFindings(&a.Is, &b.Is) })
	return changes
}

// Settle says that readings are gone from which to judge what began before that
// time: what is known of it stays as it is, and nothing is raised or withdrawn.
// What was open then goes on until it is found to be over.
func (l *Ledger) Settle(before time.Time) {
	if !before.After(l.settled) {
		return
	}
	l.settled = before
	if l.lasting == nil {
		l.lasting = map[thread]*outyard.Finding{}
	}
	old := func(f *outyard.Finding) bool { return f.Onset.Before(before) }
	for _, f := range l.living {
		if old(f) && f.State == outyard.Open {
			l.lasting[threadOf(f)] = f // by onset: the last one is the one that goes on
		}
	}
	l.living = slices.DeleteFunc(l.living, old)
	for t, shelved := range l.withdrawn {
		l.withdrawn[t] = slices.DeleteFunc(shelved, old)
	}
}

// Only takes up the hives that has names, and the yard as a whole: what is
// known of others stays as it is, and is not withdrawn for not being found.
func (l *Ledger) Only(has func(outyard.HiveID) bool) {
	l.living = l.living[:0]
	for _, f := range l.byID {
		if f.State != outyard.Withdrawn && !f.Onset.Before(l.settled) && has(f.Hive) {
			l.living = append(l.living, f)
		}
	}
	slices.SortFunc(l.living, compareFindings)
}

// goOn gives a finding that has been open since before what was settled what is
// found of it now. It seems to begin where the readings do, and keeps its onset.
func (l *Ledger) goOn(f *outyard.Finding, take func(known, f *outyard.Finding)) {
	known := l.lasting[threadOf(f)]
	if known == nil || f.State != outyard.Open && f.End.Before(l.settled) {
		return
	}
	is := *f
	is.Onset = known.Onset
	take(known, &is)
	if known.State != outyard.Open {
		delete(l.lasting, threadOf(f))
	}
}

// All returns every finding known, withdrawn ones too, by onset.
func (l *Ledger) All() []outyard.Finding {
	all := make([]*outyard.Finding, 0, len(l.byID))
	for _, f := range l.byID {
		all = append(all, f)
	}
	slices.SortFunc(all, compareFindings)
	out := make([]outyard.Finding, len(all))
	for i, f := range all {
		out[i] = *f
	}
	return out
}

// Finding returns the finding of that id.
func (l *Ledger) Finding(id string) (outyard.Finding, bool) {
	f, ok := l.byID[id]
	if !ok {
		return outyard.Finding{}, false
	}
	return *f, true
}

// walk pairs what is found with the living of the same thread and onset, and
// returns what is left over on both sides.
func (l *Ledger) walk(fresh []*outyard.Finding, take func(known, f *outyard.Finding)) (gone, left []*outyard.Finding) {
	i, j := 0, 0
	for i < len(l.living) && j < len(fresh) {
		switch c := compareFound(l.living[i], fresh[j]); {
		case c < 0:
			gone = append(gone, l.living[i])
			i++
		case c > 0:
			left = append(left, fresh[j])
			j++
		default:
			take(l.living[i], fresh[j])
			i++
			j++
		}
	}
	return append(gone, l.living[i:]...), append(left, fresh[j:]...)
}

// reopen pairs what is found with withdrawn ones.
func (l *Ledger) reopen(left []*outyard.Finding, take func(known, f *outyard.Finding)) []*outyard.Finding {
	var shelved []*outyard.Finding
	seen := map[thread]bool{}
	for _, f := range left {
		if t := threadOf(f); !seen[t] {
			seen[t] = true
			shelved = append(shelved, l.withdrawn[t]...)
		}
	}
	if len(shelved) == 0 {
		return left
	}
	_, left = pairNearest(shelved, left, func(known, f *outyard.Finding) {
		t := threadOf(known)
		l.withdrawn[t] = slices.DeleteFunc(l.withdrawn[t], func(w *outyard.Finding) bool { return w == known })
		l.living = append(l.living, known)
		take(known, f)
	})
	return left
}

func (l *Ledger) withdraw(known *outyard.Finding, raised []*outyard.Finding, now time.Time) {
	known.State = outyard.Withdrawn
	if known.End.IsZero() {
		known.End = now
	}
	known.Summary += " Withdrawn: " + whyWithdrawn(known, raised)
	l.shelve(known)
}

func (l *Ledger) shelve(f *outyard.Finding) {
	t := threadOf(f)
	l.withdrawn[t] = append(l.withdrawn[t], f)
}

// freeID is kind-yard_hive-onset, kind-yard-onset for a whole yard. No id of a
// yard or hive has an underscore in it, so that two yards' findings never get
// one id.
func (l *Ledger) freeID(f *outyard.Finding) string {
	place := string(f.Yard)
	if f.Hive != "" {
		place += "_" + string(f.Hive)
	}
	base := fmt.Sprintf("%s-%s-%s", f.Kind, place, f.Onset.UTC().Format("20060102T1504Z"))
	id := base
	for n := 2; l.byID[id] != nil; n++ {
		id = fmt.Sprintf("%s-%d", base, n)
	}
	return id
}

// retake gives the known finding what was found of it, and says whether that
// is anything new.
func retake(known, f *outyard.Finding) (Change, bool) {
	if sameContent(known, f) {
		return Change{}, false
	}
	was := *known
	is := *f
	is.ID, is.ToldAt = was.ID, was.ToldAt
	*known = is
	return Change{Was: was, Is: is}, true
}

// pairNearest pairs known with found findings of the same thread whose onsets
// are within that kind's tolerance, the nearest first, each once, and returns
// those without a partner, in order. What begins only after the known one was
// told is no partner, where nothing is told before it begins.
func pairNearest(known, found []*outyard.Finding, take func(known, f *outyard.Finding)) (knownLeft, foundLeft []*outyard.Finding) {
	byThread := func(a, b *outyard.Finding) int {
		return cmp.Or(threadOf(a).compare(threadOf(b)), a.Onset.Compare(b.Onset), cmp.Compare(a.ID, b.ID))
	}
	ks, fs := slices.Clone(known), slices.Clone(found)
	slices.SortStableFunc(ks, byThread)
	slices.SortStableFunc(fs, byThread)

	type pair struct {
		apart time.Duration
		k, f  int
	}
	var pairs []pair
	first := 0 // ks before first are too early for fs[f] and all after it
	for f := range fs {
		t, within := threadOf(fs[f]), tolerance(fs[f].Kind)
		for first < len(ks) {
			c := threadOf(ks[first]).compare(t)
			if c > 0 || c == 0 && ks[first].Onset.Sub(fs[f].Onset) >= -within {
				break
			}
			first++
		}
		for k := first; k < len(ks) && threadOf(ks[k]) == t; k++ {
			apart := ks[k].Onset.Sub(fs[f].Onset)
			if apart > within {
				break
			}
			if ruleOf(t.kind).past && fs[f].Onset.After(ks[k].ToldAt) && !ks[k].Onset.After(ks[k].ToldAt) {
				continue
			}
			pairs = append(pairs, pair{apart.Abs(), k, f})
		}
	}
	slices.SortFunc(pairs, func(a, b pair) int {
		return cmp.Or(cmp.Compare(a.apart, b.apart), cmp.Compare(a.k, b.k), cmp.Compare(a.f, b.f))
	})
	kTaken, fTaken := make([]bool, len(ks)), make([]bool, len(fs))
	for _, p := range pairs {
		if !kTaken[p.k] && !fTaken[p.f] {
			kTaken[p.k], fTaken[p.f] = true, true
			take(ks[p.k], fs[p.f])
		}
	}
	return rest(ks, kTaken), rest(fs, fTaken)
}

func rest(all []*outyard.Finding, taken []bool) []*outyard.Finding {
	var left []*outyard.Finding
	for i, f := range all {
		if !taken[i] {
			left = append(left, f)
		}
	}
	return left
}

// compareFound orders by onset, then by thread.
func compareFound(a, b *outyard.Finding) int {
	if c := a.Onset.Compare(b.Onset); c != 0 {
		return c
	}
	return threadOf(a).compare(threadOf(b))
}

func compareFindings(a, b *outyard.Finding) int {
	return cmp.Or(compareFound(a, b), cmp.Compare(a.ID, b.ID))
}

// whyWithdrawn ends the summary of a finding that is no longer found. raised
// is what is new at the same time, by onset: perhaps what it really was.
func whyWithdrawn(f *outyard.Finding, raised []*outyard.Finding) string {
	if f.Kind == outyard.Silent {
		return "what was held back meanwhile has come."
	}
	if !slices.Contains(steps, f.Kind) {
		return "later readings or the journal say that it was not so."
	}
	within := tolerance(f.Kind)
	from, _ := slices.BinarySearchFunc(raised, f.Onset.Add(-within), func(g *outyard.Finding, t time.Time) int { return g.Onset.Compare(t) })
	for _, g := range raised[from:] {
		if g.Onset.Sub(f.Onset) > within {
			break
		}
		if g.Yard == f.Yard && g.Hive == f.Hive && g.Kind != f.Kind && slices.Contains(steps, g.Kind) {
			if g.Kind == outyard.Handling {
				return "it was the keeper's work."
			}
			return fmt.Sprintf("it is now read as %s.", g.Kind.Name())
		}
	}
	return "later readings or the journal say that it was not so."
}
