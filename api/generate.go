package api

// The wire types and the server interface come from openapi.yaml; fresh.sh says whether the
// committed file still matches it.
//go:generate go run github.com/oapi-codegen/oapi-codegen/v2/cmd/oapi-codegen@v2.8.2 -config generator.yaml -o wire/wire.gen.go openapi.yaml
