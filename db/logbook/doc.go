// Package logbook is the append-only record of a site: entries, the Merkle tree
// over them, signed heads, proofs, the export file and its offline check.
//
// An entry's bytes are made once, stored, hashed as they are stored and never
// encoded again. Entry i is leaf i of an RFC 6962 tree; a head is a C2SP
// checkpoint, that is size and root of the tree as a signed note under the log
// key. Whoever holds an earlier head, on paper or in another room, can tell
// whether anything before it was altered, removed or inserted since. The package
// imports no database: what it says about a log it says from the log's bytes.
//
// # The export file
//
// An export is a text header, then binary records, then an end record.
//
//	kerfgate logbook export v1
//	origin <origin of the log>
//	key <verifier key>          any number, at most 64
//	                            an empty line ends the header
//
// The origin and the keys' names are made by Origin, LogKeyName and
// PermitKeyName. Header lines end in one newline, U+000A, and have at most 1,024
// bytes. Each record begins with one byte that says what it is; all integers are
// unsigned and big-endian:
//
//	'E'  index (8 bytes), length (2), entry (length bytes), leaf hash (32)
//	'H'  length (2), signed head (length bytes)
//	'Z'  number of entries (8), SHA-256 of the whole file up to here (32)
//
// Entries stand in order of index, from 0, without gaps. The leaf hash is the
// one that was stored when the entry was appended. Heads stand in order of size,
// each right after the entries that it counts and before the next; heads beyond
// the last entry stand last. Nothing follows the end record. Its digest guards
// against damage, not against a forger: that is what heads are for.
package logbook
