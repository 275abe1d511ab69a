// Package bench measures the spine beside its floors: what disk, database and broker can do at all,
// then what ours does with them, in one run on one machine. It prints ratios, asserts nothing about
// time, and is run by hand (make bench).
package bench
