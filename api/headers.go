package api

import (
	"strings"

	"github.com/labstack/echo/v4"
)

// contentPolicyFor allows this origin's own scripts, styles, pictures and connections, nothing inline.
// The station page alone connects further, to its worker's origin such as
// "https://bench-worker.lan:8443".
func contentPolicyFor(connect ...string) string {
	return "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src " +
		strings.Join(append([]string{"'self'"}, connect...), " ") + "; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
}

// sandboxPolicy is for bytes that came from a person: nothing in them may run or load.
const sandboxPolicy = "sandbox; default-src 'none'"

// headers sets the security headers of every answer, errors included.
func headers(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		h := c.Response().Header()
		h.Set("Content-Security-Policy", contentPolicyFor())
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		return next(c)
	}
}
