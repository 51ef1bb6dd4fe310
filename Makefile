# Two commands matter: `go run ./cmd/calandria demo` and `make test`.
SHELL := /bin/bash
.SHELLFLAGS := -o pipefail -c
GO ?= go
VERSION ?= $(shell git describe --tags --always --dirty 2>/dev/null)
STATICCHECK := honnef.co/go/tools/cmd/staticcheck@v0.8.2
GOLANGCI := github.com/golangci/golangci-lint/v2/cmd/golangci-lint@v2.15.0
GOVULNCHECK := golang.org/x/vuln/cmd/govulncheck@v1.9.0
# Where the database of vulnerabilities cannot be reached, a copy of it:
# make vuln VULNDB=file:///path/of/the/index
VULNDB ?= https://vuln.go.dev

# Debian packages that the integration tests start as real servers.
DEBS := chromium prometheus prometheus-alertmanager victoria-metrics influxdb python3-iapws poppler-utils

.PHONY: build check test test-deps lint lint-all vuln bench fuzz detection docs figures pictures

build: ## the program, into bin/
	CGO_ENABLED=0 $(GO) build -trimpath -ldflags "-s -w -X main.stamp=$(VERSION)" -o bin/calandria ./cmd/calandria

check: ## the inner loop: under a minute, without servers, browser or race detector
	@unformatted=$$(gofmt -l $$(git ls-files '*.go')); if [ -n "$$unformatted" ]; then echo "gofmt is due for: $$unformatted"; exit 1; fi
	$(GO) test -short -json ./... | $(GO) run ./cmd/testreport

# The core has no goroutine (cmd/laws proves it): the race detector would see
# nothing there, and take ten times as long.
CORE := ./plant/... ./thermo/... ./rules/... ./alerting ./engine/... ./deploy/...
EDGES := ./alerting/notify/... ./collector/... ./historian/... ./console/... ./cmd/...

test: test-deps lint ## everything, the edges with the race detector; the slowest tests at the end
	{ $(GO) test -shuffle=on -timeout 18m -json $(CORE); \
	$(GO) test -timeout 18m -json -run 'TestRestartsForgetNothing|TestFirstDay|TestHostileServers|TestFrames|TestReaderIsKilled|TestWrongSignInsShutNobodyOut' ./cmd/calandria ./collector ./console; \
	$(GO) test -race -shuffle=on -timeout 18m -json $(EDGES); } | $(GO) run ./cmd/testreport -whole

test-deps: ## servers, browser and packages that the tests need
	./testdata/install-test-deps.sh $(DEBS)

lint:
	@unformatted=$$(gofmt -l $$(git ls-files '*.go')); if [ -n "$$unformatted" ]; then echo "gofmt is due for: $$unformatted"; exit 1; fi
	$(GO) vet ./...
	$(GO) vet -tags detection ./deploy
	$(GO) run $(STATICCHECK) ./...

lint-all: ## more linters, each with its reason in cmd/laws/golangci.yml; minutes, most of them to build the tool once
	$(GO) run $(GOLANGCI) run -c cmd/laws/golangci.yml ./...

vuln: ## known vulnerabilities in what the program calls
	$(GO) run $(GOVULNCHECK) -db $(VULNDB) ./...

bench: ## ratios within one run, kept in cmd/calandria/testdata/figures.jsonl; see DEVELOPERS.md (an hour)
	$(GO) test -run '^$$' -bench . -benchmem ./...
	$(GO) test -count=1 -timeout 2h -run TestFigures -v ./cmd/calandria -figures

fuzz: ## half a minute for each fuzz target
	@for p in $$($(GO) list ./...); do for f in $$($(GO) test -list '^Fuzz' $$p | grep ^Fuzz); do \
	echo "$$p $$f"; $(GO) test -run '^$$' -fuzz "^$$f\$$" -fuzztime 30s -fuzzminimizetime 1s $$p || exit 1; done; done

detection: ## what the rule library finds, over twenty mills; writes deploy/DETECTION.md; the solver over 10 000 sets; and 100 kills of the archive
	$(GO) test -count=1 -timeout 2h -run "TestDetection|TestContradiction|TestFloods" -v -tags detection ./deploy
	$(GO) test -count=1 -run TestSolver -v ./thermo/evaporator -args -solver-sets 10000
	$(GO) test -count=1 -timeout 1h -run TestKilledAtAnyMoment -v ./historian -args -kills 100

test-faults: ## what fails in service: damaged files, servers, receivers, stops
	$(GO) test -count=1 -run 'Damaged|StartsWithout|Repair|Salvaged|OpensAnyway|Poison|HasALimit|SignalEnds|Crash|Kill|Full|Interop|Ladder|Outage' ./cmd/calandria ./historian ./console ./alerting/notify ./collector

docs: ## the tables of the handbook that follow from the program
	$(GO) test -count=1 -run 'TestHandbookTables' ./cmd/calandria -update
	$(GO) test -count=1 -run 'Handbook' ./thermo/pan -update

figures: docs ## figures beside the rules and scenarios, worked out anew (minutes)
	$(GO) test -count=1 -run 'Distribution|UsualReadings|TestScenarios' ./deploy -update

pictures: ## the pictures of the front page, by Chromium from the demo (two minutes)
	$(GO) test -count=1 -timeout 15m -run 'TestPictures' -v ./cmd/calandria -pictures "$(CURDIR)/docs"
