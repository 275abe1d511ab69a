# Everything a person or CI runs. `make help` lists it.
SHELL := /bin/sh
export GOFLAGS := -buildvcs=false
STATICCHECK := honnef.co/go/tools/cmd/staticcheck@v0.8.2

.PHONY: help try build release test check bench pages fuzz chaos audit generate install-try install-test clean

help: ## list the targets
	@grep -E '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 18

build: ## build bin/kerfgate
	@mkdir -p bin
	CGO_ENABLED=0 go build -trimpath -o bin/kerfgate .

release: ## build static workers for linux/amd64, arm64 and armv7, with their checksums, into artefacts/release
	@mkdir -p artefacts/release
	@for target in amd64 arm64 armv7; do \
		arch=$${target%v7}; \
		CGO_ENABLED=0 GOOS=linux GOARCH=$$arch GOARM=7 go build -trimpath -ldflags='-s -w' -o artefacts/release/kerfgate-linux-$$target . || exit 1; \
	done
	@cp deploy/systemd/kerfgate-worker@.service deploy/systemd/70-kerfgate-port.rules artefacts/release/
	@cd artefacts/release && sha256sum kerfgate-linux-* kerfgate-worker@.service 70-kerfgate-port.rules > SHA256SUMS && cat SHA256SUMS

try: install-try build ## start everything here, with simulated machines and a demo workshop
	@exec ./bin/kerfgate try

test: install-test check ## format, vet, staticcheck, generated code, all tests (race detector, Postgres, NATS, Chromium)
	go test -race -timeout 40m ./...
	go test -run 'TakeLittleMemory|HostileXML' ./plan ./plan/drawing/svg ./worker

check: ## format, vet, staticcheck, freshness of generated code
	@files=$$(gofmt -l $$(find . -name '*.go' -not -path './.kerfgate/*')); \
	if [ -n "$$files" ]; then echo "not formatted: $$files"; exit 1; fi
	go vet ./...
	go run $(STATICCHECK) ./...
	sh api/fresh.sh

bench: ## measure planning, ordering, appending, checking, listing; prints ratios to what was measured beside them
	go test -run '^$$' -bench . -benchtime 1x -benchmem ./plan/...
	go test -run '^$$' -bench BenchmarkStream -benchtime 1x ./worker
	go test -run '^$$' -bench Resvg -benchtime 1x ./deploy/oracle
	go test -run '^$$' -bench Spine -benchtime 1x -timeout 1h ./deploy/bench
	go test -run '^$$' -bench Pages -benchtime 1x -timeout 1h ./deploy/bench
	go test -run '^$$' -bench Load -benchtime 1x -timeout 2h ./deploy/bench
	go test -run '^$$' -bench Lists -benchtime 20x -timeout 3h ./deploy/generate

pages: install-test ## hold every page to keyboard, lenses and axe-core, and photograph each in three sizes into artefacts/pages
	@mkdir -p artefacts/pages
	KERFGATE_ARTEFACTS=$(CURDIR)/artefacts/pages go test -count=1 -timeout 1h -run 'TestEverySample|TestEveryPage|InBrowser|ByKeyboard|StationAlone' ./api ./api/web ./deploy/system

FUZZTIME ?= 20s
fuzz: ## run every fuzz test for FUZZTIME (20s); finds are kept under testdata/fuzz
	@grep -rn --include='*_test.go' -o '^func Fuzz[A-Za-z0-9_]*' . | while IFS=: read -r file _ name; do \
		echo "$$(dirname $$file) $${name#func }"; \
		go test -run '^$$' -fuzz "^$${name#func }\$$" -fuzztime $(FUZZTIME) "$$(dirname $$file)" || exit 1; \
	done

HISTORIES ?= 1000
KILLS ?= 200
CHAOS_FOR ?= 30m
chaos: install-test ## random histories (HISTORIES) and kill -9 (KILLS), each for CHAOS_FOR (30m) at most; SEED repeats one
	@seed=$${SEED:-$$(od -An -N4 -tu4 /dev/urandom | tr -d ' ')}; echo "SEED=$$seed"; \
	go test -race -count=1 -timeout $(CHAOS_FOR) -run 'TestF34_|TestI2_AnyHistory' ./worker -rapid.shrinktime=5m -rapid.checks=$$((($(HISTORIES) + 1) / 2)) -rapid.seed=$$seed && \
	KERFGATE_CHAOS_SEED=$$seed KERFGATE_CHAOS_KILLS=$(KILLS) KERFGATE_CHAOS_FOR=$(CHAOS_FOR) \
		go test -race -count=1 -timeout 0 -run 'TestI2_KilledAnywhere|TestWholeRunOnACable' ./deploy/system

audit: build ## modules as in go.sum, known vulnerabilities (STRICT=-strict fails without their database), bill of materials
	@mkdir -p artefacts
	go run ./deploy/audit $(STRICT)

generate: ## make the wire types and the server interface anew from api/openapi.yaml
	go generate ./api

install-try: ## install what try needs (Debian, as root), or say what to install
	@sh deploy/install.sh try

install-test: ## install what test needs (Debian, as root), or say what to install
	@sh deploy/install.sh test

clean: ## remove what make made; the data folder .kerfgate stays
	rm -rf bin artefacts
