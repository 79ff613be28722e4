// Package alerts is a finding's way to the keeper. It exists so that what the
// analyses say is told once, to the right person, at the right time, and is
// neither told twice nor forgotten when the daemon is restarted.
//
// [Watcher] feeds each yard's kept readings to its course and hands what the
// course finds to a [Ledger], which gives findings an identity that outlives
// re-evaluation. What is news becomes alerts and messages, stored in the same
// transaction as the findings. [Outbox] delivers the messages through
// channels; mail and mqtt below this folder are such channels.
package alerts
