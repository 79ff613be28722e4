package webhook

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"time"

	"outyard"
	"outyard/alerts"
)

// openFor is how long an Alertmanager shows a finding that is open: it hears
// of each once, and would forget it after minutes. Findings that last longer
// are told again when they change.
const openFor = 7 * 24 * time.Hour

// An Alertmanager posts findings as alerts to a Prometheus Alertmanager
// (its API v2, POST /api/v2/alerts), below the address
// alertmanager+http://host:9093. The round is no alert, and is left out.
type Alertmanager struct {
	Client *http.Client // nil: one that follows nobody elsewhere
	Now    func() time.Time
}

type postedAlert struct {
	Labels      map[string]string `json:"labels"`
	Annotations map[string]string `json:"annotations"`
	StartsAt    time.Time         `json:"startsAt"`
	EndsAt      time.Time         `json:"endsAt"`
}

// Deliver posts the findings of the message.
func (a Alertmanager) Deliver(ctx context.Context, m outyard.Message, address string) error {
	at, _, err := parse(address, "alertmanager")
	if err != nil {
		return alerts.Permanent(err)
	}
	if len(m.About) == 0 {
		return nil
	}
	now := a.Now().UTC()
	list := make([]postedAlert, len(m.About))
	for i, f := range m.About {
		p := postedAlert{
			Labels:      map[string]string{"alertname": string(f.Kind), "yard": string(f.Yard), "severity": string(f.Severity), "finding": f.ID},
			Annotations: map[string]string{"summary": f.Summary, "advice": strings.Join(f.Advice, " "), "caution": strings.Join(f.Caution, " ")},
			StartsAt:    f.Onset.UTC(), EndsAt: now.Add(openFor),
		}
		if f.Hive != "" {
			p.Labels["hive"] = string(f.Hive)
		}
		if f.State != outyard.Open {
			p.EndsAt = now
		}
		list[i] = p
	}
	body, err := json.Marshal(list)
	if err != nil {
		return alerts.Permanent(fmt.Errorf("alertmanager at %s: %w", at.Host, err))
	}
	return post(ctx, a.Client, "alertmanager", at.JoinPath("api/v2/alerts"), body, nil)
}
