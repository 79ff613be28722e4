package main

import "errors"

// fronts are the brokers that readings come from and news goes out on: our
// own, another's, or both.
type fronts []interface {
	Publish(topic string, payload []byte, retain bool) error
}

// Publish hands the message to every broker.
func (f *fronts) Publish(topic string, payload []byte, retain bool) error {
	var errs []error
	for _, one := range *f {
		errs = append(errs, one.Publish(topic, payload, retain))
	}
	return errors.Join(errs...)
}
