package alerts

import "github.com/prometheus/client_golang/prometheus"

type watcherMetrics struct {
	evaluations, rebuilds, queued prometheus.Counter
	seconds, raise                prometheus.Histogram
	waiting                       prometheus.Gauge
}

func newWatcherMetrics(reg prometheus.Registerer) watcherMetrics {
	m := watcherMetrics{
		evaluations: prometheus.NewCounter(prometheus.CounterOpts{Name: "outyard_alerts_evaluations_total", Help: "Times that a yard was brought up to now."}),
		rebuilds:    prometheus.NewCounter(prometheus.CounterOpts{Name: "outyard_alerts_rebuilds_total", Help: "Times that a yard was evaluated anew from the store."}),
		queued:      prometheus.NewCounter(prometheus.CounterOpts{Name: "outyard_alerts_messages_queued_total", Help: "Messages put into the outbox."}),
		seconds: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "outyard_alerts_evaluation_seconds", Help: "Time that bringing a yard up to now took.",
			Buckets: []float64{0.001, 0.01, 0.1, 0.5, 1, 5, 30}}),
		raise: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "outyard_alerts_raise_seconds", Help: "Time from the arrival of the deciding reading until the message is in the outbox.",
			Buckets: []float64{0.01, 0.03, 0.1, 0.3, 1, 3, 10}}),
		waiting: prometheus.NewGauge(prometheus.GaugeOpts{Name: "outyard_alerts_waiting_readings", Help: "Readings that are kept and not looked at yet."}),
	}
	reg.MustRegister(m.evaluations, m.rebuilds, m.queued, m.seconds, m.raise, m.waiting)
	return m
}

type outboxMetrics struct {
	sent, failed, dropped prometheus.Counter
	oldest                prometheus.Gauge
}

func newOutboxMetrics(reg prometheus.Registerer) outboxMetrics {
	m := outboxMetrics{
		sent:    prometheus.NewCounter(prometheus.CounterOpts{Name: "outyard_alerts_messages_sent_total", Help: "Messages of the outbox that were delivered."}),
		failed:  prometheus.NewCounter(prometheus.CounterOpts{Name: "outyard_alerts_messages_failed_total", Help: "Deliveries that did not succeed and will be tried again."}),
		dropped: prometheus.NewCounter(prometheus.CounterOpts{Name: "outyard_alerts_messages_dropped_total", Help: "Messages left untold because events had overtaken them."}),
		oldest:  prometheus.NewGauge(prometheus.GaugeOpts{Name: "outyard_alerts_oldest_undelivered_seconds", Help: "Age of the oldest message that is due and not delivered, 0 when there is none."}),
	}
	reg.MustRegister(m.sent, m.failed, m.dropped, m.oldest)
	return m
}
