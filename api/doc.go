// Package api is HTTP for people, stations and scripts: JSON under /api/v1, written spec-first in
// openapi.yaml, live events, and the pages.
//
// A handler binds, allows, makes one call and answers; what an answer means is decided further
// left. Who may call what stands in policy.go, what an error looks like in problem.go. A stop goes
// to the worker first and asks nothing: no sign-in, no limit, no database (I5).
package api
