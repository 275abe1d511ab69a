package web

import "io"

// RenderSiteCA writes the page that tells how a device installs the site's CA certificate.
func RenderSiteCA(w io.Writer, v SiteCAView) error { return render(w, "site-ca", "frame", v) }

// SiteCAView is that page.
type SiteCAView struct {
	Shell
	Site        string
	Address     string
	Fingerprint []string // SHA-256 in pairs of digits; nil where the server speaks plain HTTP or with a certificate from elsewhere
}

// RenderStationEnrol writes the page that makes a device a station.
func RenderStationEnrol(w io.Writer, v StationEnrolView) error {
	return render(w, "station-enrol", "frame", v)
}

// StationEnrolView is that page; Machine is set once the device is a station.
type StationEnrolView struct {
	Shell
	Machine string
	Name    string
}
