// Package store holds the words that every store shares: what is asked of one,
// what a chart gets back, what is told in one go, and the errors that a caller
// can act on. The stores themselves are in the folders below; the suite that
// each of them passes is storetest. DESIGN.md says what an acknowledgement
// waits for, how rows lie on the disk, and what was rejected.
package store
