#!/bin/sh
# Says whether wire/wire.gen.go is what openapi.yaml generates; exits 1 with the difference if not.
set -eu
cd "$(dirname "$0")"
fresh=$(mktemp)
trap 'rm -f "$fresh"' EXIT
go run github.com/oapi-codegen/oapi-codegen/v2/cmd/oapi-codegen@v2.8.2 -config generator.yaml -o "$fresh" openapi.yaml
if ! cmp -s wire/wire.gen.go "$fresh"; then
	diff -u wire/wire.gen.go "$fresh" | head -40 >&2 || true
	echo "wire/wire.gen.go is stale: run go generate ./api" >&2
	exit 1
fi
