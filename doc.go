// Package outyard holds the words that the whole program speaks: yards and
// hives, readings and their units, the journal, findings, days, and what is
// told to whom. It has no behaviour beyond reading, writing and checking its
// own words, and it imports nothing else of the program.
//
// A unit stands in the name of every number (WeightKg, InsideTempC), instants
// are UTC, and what is not known is NaN, never zero.
package outyard
