package web

import "time"

// PasskeysView is what a page says of passkeys. Here says that they work on the page that is shown; where they
// do not, At is the address where they do, empty where the server has none.
type PasskeysView struct {
	Here bool
	At   string
	// Station says that this is a shared station, which keeps nobody's.
	Station bool
	Rows    []PasskeyRow
}

// PasskeyRow is one of one's own passkeys.
type PasskeyRow struct {
	ID, Name string
	Added    time.Time
	Used     *time.Time
}
