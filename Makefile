# Everything a person or CI runs. `make help` lists it.
SHELL := /bin/sh
export GOFLAGS := -buildvcs=false
STATICCHECK := honnef.co/go/tools/cmd/staticcheck@v0.8.2

.PHONY: help try build test check bench fuzz generate install-try install-test clean

help: ## list the targets
	@grep -E '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 18

build: ## build bin/kerfgate
	@mkdir -p bin
	CGO_ENABLED=0 go build -trimpath -o bin/kerfgate .

try: install-try build ## start everything here, with simulated machines and a demo workshop
	@exec ./bin/kerfgate try

test: install-test check ## format, vet, staticcheck, generated code, all tests (race detector, Postgres, NATS, Chromium)
	go test -race -timeout 40m ./...
	go test -run TakeLittleMemory ./plan/drawing/svg

check: ## format, vet, staticcheck, freshness of generated code
	@files=$$(gofmt -l $$(find . -name '*.go' -not -path './.kerfgate/*')); \
	if [ -n "$$files" ]; then echo "not formatted: $$files"; exit 1; fi
	go vet ./...
	go run $(STATICCHECK) ./...
	sh api/fresh.sh

bench: ## measure planning, ordering, appending, checking; prints ratios to what was measured beside them
	go test -run '^$$' -bench . -benchtime 1x -benchmem ./plan/...

FUZZTIME ?= 20s
fuzz: ## run every fuzz test for FUZZTIME (20s); finds are kept under testdata/fuzz
	@grep -rn --include='*_test.go' -o '^func Fuzz[A-Za-z0-9_]*' . | while IFS=: read -r file _ name; do \
		echo "$$(dirname $$file) $${name#func }"; \
		go test -run '^$$' -fuzz "^$${name#func }\$$" -fuzztime $(FUZZTIME) "$$(dirname $$file)" || exit 1; \
	done

generate: ## make the wire types and the server interface anew from api/openapi.yaml
	go generate ./api

install-try: ## install what try needs (Debian, as root), or say what to install
	@sh deploy/install.sh try

install-test: ## install what test needs (Debian, as root), or say what to install
	@sh deploy/install.sh test

clean: ## remove what make made; the data folder .kerfgate stays
	rm -rf bin artefacts
