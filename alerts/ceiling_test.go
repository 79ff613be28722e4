package alerts_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/alerts"
	"outyard/store"
)

func TestAnHourHasACeiling(t *testing.T) {
	p := newPostOffice(t)
	p.routes[0].PerHour = 3
	of := func(n int, kind outyard.Kind, s outyard.Severity) outyard.Finding {
		f := known(fmt.Sprintf("%s-%d", kind, n), kind, "h01", s)
		f.Yard = outyard.YardID(fmt.Sprintf("yard-%d", n))
		return f
	}
	for i := range 5 {
		p.queue("me", "raised", noon, of(i, outyard.Damp, outyard.Soon))
	}
	got := p.deliver()
	require.Len(t, got, 3)
	require.Equal(t, "3 findings at 3 yards, yard-2 first", got[2].Subject, "the last one tells of all the rest")
	require.Equal(t, []string{"damp-2", "damp-3", "damp-4"}, got[2].Findings)
	for _, yard := range []string{"yard-2, h01: damp", "yard-3, h01: damp", "yard-4, h01: damp"} {
		require.Contains(t, got[2].Text, yard)
	}
	require.Len(t, p.told, 5)

	p.now = at(10 * time.Minute)
	p.queue("me", "raised", p.now, of(5, outyard.Damp, outyard.Soon), of(6, outyard.Damp, outyard.Soon))
	require.Empty(t, p.deliver(), "no more in this hour")
	require.Equal(t, "held back: 3 messages have gone there within the hour", p.waiting()[0].LastErr)
	require.Zero(t, p.waiting()[0].Attempts, "which is no failure")

	p.queue("me", "raised", p.now, of(7, outyard.Swarm, outyard.Now), of(8, outyard.Swarm, outyard.Now))
	require.Len(t, p.deliver(), 2, "what cannot wait does not, up to twice as many")
	for i := range 3 {
		p.queue("me", "raised", p.now, of(10+i, outyard.KnockedOver, outyard.Now))
	}
	got = p.deliver()
	require.Len(t, got, 1)
	require.Equal(t, "Now: 3 findings at 3 yards, yard-10 first", got[0].Subject)
	p.queue("me", "raised", p.now, of(20, outyard.Swarm, outyard.Now))
	require.Empty(t, p.deliver(), "nor does it flood")

	p.now = at(time.Hour)
	require.Equal(t, "Now: yard-20: h01, swarm", p.deliver()[0].Subject)
	p.now = at(70 * time.Minute)
	require.Len(t, p.deliver(), 2, "the rest follows, and nothing is lost")
	require.Empty(t, p.waiting())
}

func TestAHeldBackSwarmIsStillTold(t *testing.T) {
	p := newPostOffice(t)
	p.routes[0].PerHour = 1
	for i := range 3 {
		f := known(fmt.Sprintf("swarm-%d", i), outyard.Swarm, "h01", outyard.Now)
		p.queue("me", "raised", p.now, f)
		p.deliver()
	}
	require.Equal(t, []string{"swarm-0", "swarm-1"}, p.told)
	p.now = at(time.Hour)
	require.Len(t, p.deliver(), 1, "what the ceiling held back is not taken for told at night")
	require.Equal(t, []string{"swarm-0", "swarm-1", "swarm-2"}, p.told)
}

func TestAFailedMessageDoesNotCount(t *testing.T) {
	p := newPostOffice(t)
	p.routes[0].PerHour = 1
	p.hole.err = errors.New("connection refused")
	p.queue("me", "raised", noon, known("damp-1", outyard.Damp, "h01", outyard.Soon))
	p.deliver()
	p.hole.err = nil
	p.now = at(time.Minute)
	require.Len(t, p.deliver(), 1)
}

func TestWhatWaitsForCompanyGoesAlong(t *testing.T) {
	p := newPostOffice(t)
	other := known("elsewhere", outyard.Damp, "h01", outyard.Soon)
	other.Yard = "tern-rock"
	p.queue("me", "raised", at(30*time.Minute), known("damp-1", outyard.Damp, "h01", outyard.Soon))
	p.queue("me", "raised", at(50*time.Minute), known("stores-1", outyard.StoresLow, "h02", outyard.Soon), other)
	require.Empty(t, p.deliver())
	p.now = at(30 * time.Minute)
	got := p.deliver()
	require.Len(t, got, 1, "one cause, one message")
	require.Equal(t, []string{"damp-1", "stores-1"}, got[0].Findings)
	p.now = at(50 * time.Minute)
	require.Len(t, p.deliver(), 1, "another yard is another matter")
}

func TestWhatWasOverBeforeItWasToldIsNotTold(t *testing.T) {
	p := newPostOffice(t)
	f := known("silent-1", outyard.Silent, "h01", outyard.Soon)
	p.queue("me", "raised", at(30*time.Minute), f)
	f.State, f.End = outyard.Over, at(10*time.Minute)
	p.queue("me", "over", at(40*time.Minute), f)
	p.now = at(30 * time.Minute)
	require.Empty(t, p.deliver())
	p.now = at(time.Hour)
	require.Empty(t, p.deliver())
	require.Empty(t, p.waiting())
}

func TestAReminderIsForWhoHasNotAnswered(t *testing.T) {
	p := newPostOffice(t)
	f := known("swarm-1", outyard.Swarm, "h03", outyard.Now)
	p.queue("me", "reminded-20270512T200000Z", noon, f)
	got := p.deliver()
	require.Len(t, got, 1)
	require.Equal(t, "Reminder: Now: Alder Slip: h03, swarm", got[0].Subject)

	p.answered = []string{"swarm-1"}
	p.queue("me", "reminded-20270512T220000Z", noon, f)
	require.Empty(t, p.deliver(), "answered while the reminder waited for the morning")
	p.answered = nil
	f.State = outyard.Over
	p.queue("me", "reminded-20270513T020000Z", noon, f)
	require.Empty(t, p.deliver(), "or over")
	require.Empty(t, p.waiting())
}

func TestNobodyAnsweredIsRemindedEverLater(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.start(b.db)
		begun := time.Now()
		b.arrive(weigh("h03", begun.Add(-time.Minute), 42), weigh("h03", begun, 20))
		id := b.findings()[0].ID // knocked over
		wait(90 * time.Minute)
		require.Len(t, b.outbox(), 1, "not delivered yet: there is nothing to be reminded of")

		told := time.Now()
		require.NoError(t, b.w.Told(t.Context(), []string{id}))
		for _, after := range []time.Duration{time.Hour, 2 * time.Hour, 4 * time.Hour, 8 * time.Hour, 16 * time.Hour} {
			before := len(b.outbox())
			wait(time.Until(told.Add(after - 2*time.Minute)))
			require.Len(t, b.outbox(), before, "before %s", after)
			wait(4 * time.Minute)
			require.Len(t, b.outbox(), before+1, "after %s", after)
		}
		all := len(b.outbox())
		wait(3 * 24 * time.Hour)
		require.Len(t, b.outbox(), all, "and no more after a day")

		history, err := b.db.History(t.Context(), id)
		require.NoError(t, err)
		var steps []string
		for _, s := range history {
			steps = append(steps, s.Event+" "+string(s.State))
		}
		require.Equal(t, []string{"raised open", "told told", "reminded told", "reminded told", "reminded told", "reminded told", "reminded told"}, steps)
		b.stop()
	})
}

func TestAnAnswerEndsTheReminders(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.start(b.db)
		b.arrive(weigh("h03", time.Now().Add(-time.Minute), 42), weigh("h03", time.Now(), 20))
		id := b.findings()[0].ID
		require.NoError(t, b.w.Told(t.Context(), []string{id}))
		require.False(t, b.w.Answered(id))
		wait(70 * time.Minute)
		require.Len(t, b.outbox(), 2)
		b.stop()
		b.start(b.db)
		require.Len(t, b.outbox(), 2, "a restart reminds nobody")
		_, err := b.w.Acknowledge(t.Context(), id, "")
		require.NoError(t, err)
		require.True(t, b.w.Answered(id))
		wait(12 * time.Hour)
		require.Len(t, b.outbox(), 2)
		b.stop()
	})
}

func TestASnoozeEndsOnceAndRemindsAgain(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.start(b.db)
		b.arrive(weigh("h03", time.Now().Add(-time.Minute), 42), weigh("h03", time.Now(), 20))
		id := b.findings()[0].ID
		require.NoError(t, b.w.Told(t.Context(), []string{id}))
		until := time.Now().Add(5 * time.Hour)
		_, err := b.w.Snooze(t.Context(), id, until, "")
		require.NoError(t, err)
		wait(5*time.Hour - 2*time.Minute)
		require.Len(t, b.outbox(), 1, "put off is put off")
		wait(4 * time.Minute)
		require.Contains(t, b.outbox(), "me|0|"+id+"|snoozed-until-"+until.UTC().Format("20060102T150405Z"))
		require.Equal(t, outyard.AlertOpen, b.alert(id))
		require.NoError(t, b.w.Told(t.Context(), []string{id}))
		wait(65 * time.Minute)
		require.Len(t, b.outbox(), 3, "told again and not answered: reminded")
		b.stop()
	})
}

// A blinker finds a hive silent whenever its newest reading is odd.
type blinker struct {
	alerts.Course
	yard     outyard.YardID
	readings []outyard.Reading
}

func (c *blinker) Observe(r outyard.Reading) error {
	c.readings = append(c.readings, r)
	return c.Course.Observe(r)
}

func (c *blinker) Findings() []outyard.Finding {
	var out []outyard.Finding
	for i, r := range c.readings {
		if i%2 == 0 {
			continue
		}
		f := outyard.Finding{Kind: outyard.SensorFault, Yard: c.yard, Hive: r.Hive, Onset: r.Time, Severity: outyard.Soon, Confidence: 0.9,
			Summary: "The humidity sensor answers nonsense.", State: outyard.Open}
		if i < len(c.readings)-1 {
			f.State, f.End = outyard.Over, c.readings[i+1].Time
		}
		out = append(out, f)
	}
	return out
}

func TestAFlappingSensorDoesNotFlood(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.course = func(y outyard.Yard, journal []outyard.Entry) alerts.Course {
			return &blinker{Course: newFallCourse(y, journal), yard: y.ID}
		}
		b.start(b.db)
		const days = 21
		for range days * 24 / 3 { // bad for three hours, good for three
			b.arrive(weigh("h01", time.Now(), 40))
			wait(3 * time.Hour)
		}
		require.Greater(t, len(b.findings()), 20, "each is on the pages")
		told := len(b.outbox())
		require.LessOrEqual(t, told, 4*days/7, "two a week begin, and say that they are over")
		require.GreaterOrEqual(t, told, 2*days/7, "and nobody is left in the dark")
		b.stop()
	})
}

func TestHistoryIsStoredWithTheAlert(t *testing.T) {
	p := newPostOffice(t)
	require.NoError(t, p.db.Tell(t.Context(), store.News{History: []outyard.Transition{{Finding: "f", At: noon, Event: "raised", State: outyard.AlertOpen}}}))
	got, err := p.db.History(t.Context(), "f")
	require.NoError(t, err)
	require.Equal(t, []outyard.Transition{{Finding: "f", At: noon.UTC(), Event: "raised", State: outyard.AlertOpen}}, got)
}
