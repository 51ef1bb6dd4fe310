# Two commands matter: `go run ./cmd/calandria demo` and `make test`.
SHELL := /bin/bash
.SHELLFLAGS := -o pipefail -c
GO ?= go
VERSION ?= $(shell git describe --tags --always --dirty 2>/dev/null)
STATICCHECK := honnef.co/go/tools/cmd/staticcheck@v0.8.2
GOLANGCI := github.com/golangci/golangci-lint/v2/cmd/golangci-lint@v2.15.0
GOVULNCHECK := golang.org/x/vuln/cmd/govulncheck@v1.9.0
CYCLONEDX := github.com/CycloneDX/cyclonedx-gomod/cmd/cyclonedx-gomod@v1.10.0
NFPM := github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.48.0
# Releases are built with the newest mends of the standard library.
export RELEASE_GO := go1.26.10
# Where it cannot be reached, make vuln asks the newest copy in golang.org/x/vulndb.
VULNDB ?= https://vuln.go.dev

# Debian packages that the integration tests start as real servers.
DEBS := chromium prometheus prometheus-alertmanager victoria-metrics influxdb python3-iapws poppler-utils buildah systemd sqlite3

.PHONY: build check test test-deps lint lint-all vuln bench fuzz detection docs figures pictures test-faults release release-twice image image-folder

build: ## the program, into bin/
	CGO_ENABLED=0 $(GO) build -trimpath -ldflags "-s -w -X calandria/cmd/service.stamp=$(VERSION)" -o bin/calandria ./cmd/calandria

check: ## the inner loop: under a minute, without servers, browser or race detector
	@unformatted=$$(gofmt -l $$(git ls-files '*.go')); if [ -n "$$unformatted" ]; then echo "gofmt is due for: $$unformatted"; exit 1; fi
	$(GO) test -short -json ./... | $(GO) run ./cmd/testreport

# The core has no goroutine (cmd/laws proves it): the race detector would see
# nothing there, and take ten times as long.
CORE := ./plant/... ./thermo/... ./rules/... ./alerting ./engine/... ./deploy/...
EDGES := ./alerting/notify/... ./collector/... ./historian/... ./console/... ./cmd/...

release: export CYCLONEDX := $(CYCLONEDX)
release: export NFPM := $(NFPM)
release: ## dist/: make release VERSION=v1.2.3; archives, packages, bills of materials, checksums
	deploy/release.sh $(VERSION) dist

release-twice: ## two releases, the second from another folder with an empty build cache: one set of hashes (minutes)
	$(MAKE) release
	rm -rf .cache/twice && mkdir -p .cache/twice && git archive HEAD | tar -x -C .cache/twice
	SOURCE_DATE_EPOCH=$$(git log -1 --format=%ct) GOCACHE=$(CURDIR)/.cache/twice-go $(MAKE) -C .cache/twice release VERSION=$(VERSION)
	diff dist/SHA256SUMS .cache/twice/dist/SHA256SUMS && echo "two builds, one set of hashes"
	rm -rf .cache/twice .cache/twice-go

image-folder: build
	rm -rf bin/image && mkdir -p bin/image/etc/calandria bin/image/etc/ssl/certs bin/image/var/lib/calandria bin/image/tmp
	cp bin/calandria bin/image/

ENGINE ?= podman
image: image-folder ## the container image `calandria`, by podman (ENGINE=buildah, docker: their own words)
	$(ENGINE) build -f deploy/container/Containerfile -t localhost/calandria:latest bin/image

# Of the edges, what runs without the race detector: the browser's pages, the core
# over days, and limits of time and memory, which the detector multiplies.
PLAIN := ^(TestRestartsForgetNothing|TestFirstDay|TestRecalculationGoesOn|TestHostileServers|TestHostileServersAtALook|TestFrames|TestReaderIsKilled|TestWrongSignInsShutNobodyOut|TestSizes|TestScreenshots|TestAxe|TestPrint|TestSeasonPaint|TestTrialOfEveryRule|TestOneFigure|TestStrikesOnRecord|TestSeason|TestStartsOnDamagedFiles|TestStartsWithTheLastGoodFiles|TestDamagedAccounts|TestTwoHousesInOneStore)$$

test: test-deps lint ## everything, the edges with the race detector; the slowest tests at the end
	{ $(GO) test -shuffle=on -timeout 18m -json $(CORE); \
	$(GO) test -timeout 18m -json -run '$(PLAIN)' ./cmd/calandria ./collector ./console; \
	$(GO) test -race -shuffle=on -timeout 18m -json -skip '$(PLAIN)' $(EDGES); } | $(GO) run ./cmd/testreport -whole

test-deps: ## servers, browser and packages that the tests need
	./testdata/install-test-deps.sh $(DEBS)

lint:
	@unformatted=$$(gofmt -l $$(git ls-files '*.go')); if [ -n "$$unformatted" ]; then echo "gofmt is due for: $$unformatted"; exit 1; fi
	$(GO) vet ./...
	$(GO) vet -tags detection ./deploy
	$(GO) vet -tags faults ./cmd/calandria
	$(GO) run $(STATICCHECK) ./...

lint-all: ## more linters, each with its reason in cmd/laws/golangci.yml; minutes, most of them to build the tool once
	GOOS=windows GOARCH=amd64 $(GO) build -o /dev/null ./cmd/calandria
	$(GO) run $(GOLANGCI) run -c cmd/laws/golangci.yml ./...

vuln: ## known vulnerabilities in what the program calls
	@set -e; db=$(VULNDB); if ! curl -sfo /dev/null $$db/index/db.json; then \
	  echo "$$db cannot be reached: the copy in golang.org/x/vulndb is asked"; \
	  copy=$$($(GO) mod download -json golang.org/x/vulndb@latest | sed -n 's/.*"Dir": "\(.*\)",/\1/p'); \
	  rm -rf .cache/vulndb; $(GO) -C $$copy run ./cmd/indexdb -vulns $$copy/data/osv -out $(CURDIR)/.cache/vulndb; db=file://$(CURDIR)/.cache/vulndb; \
	fi; GOTOOLCHAIN=$(RELEASE_GO) $(GO) run $(GOVULNCHECK) -db $$db ./...

bench: ## ratios within one run, kept in cmd/calandria/testdata/figures.jsonl; see DEVELOPERS.md (an hour)
	$(GO) test -run '^$$' -bench . -benchmem ./...
	$(GO) test -count=1 -timeout 2h -run TestFigures -v ./cmd/calandria -figures

fuzz: ## half a minute for each fuzz target
	@for p in $$($(GO) list ./...); do for f in $$($(GO) test -list '^Fuzz' $$p | grep ^Fuzz); do \
	echo "$$p $$f"; $(GO) test -run '^$$' -fuzz "^$$f\$$" -fuzztime 30s -fuzzminimizetime 1s $$p || exit 1; done; done

detection: test-deps ## what the rule library finds, over twenty mills; writes deploy/DETECTION.md; the solver over 10 000 sets; 100 kills of the archive; a season of 120 days
	$(GO) test -count=1 -timeout 2h -run "TestDetection|TestContradiction|TestFloods" -v -tags detection ./deploy
	$(GO) test -count=1 -run TestSolver -v ./thermo/evaporator -args -solver-sets 10000
	$(GO) test -count=1 -timeout 1h -run TestKilledAtAnyMoment -v ./historian -args -kills 100
	$(GO) test -count=1 -timeout 1h -run TestSeason -v ./cmd/calandria -args -season 120

FAULTS := $(shell grep -o '`Test[A-Za-z0-9]*' docs/faults.md | tr -d '`' | sort -u | paste -sd '|')
test-faults: test-deps ## the tests that docs/faults.md names, and no others (ten minutes)
	{ $(GO) test -tags faults -count=1 -timeout 30m -json -run '^($(FAULTS))$$' ./alerting/notify ./cmd/calandria ./cmd/service ./collector ./console ./engine ./historian/influx ./historian/journal; \
	$(GO) test -count=1 -timeout 30m -json -run '^($(FAULTS))$$' ./historian -kills 100; } | $(GO) run ./cmd/testreport

docs: ## the tables of the handbook that follow from the program
	$(GO) test -count=1 -run 'TestHandbookTables' ./cmd/calandria -update
	$(GO) test -count=1 -run 'Handbook' ./thermo/pan -update

figures: docs ## figures beside the rules and scenarios, worked out anew (minutes)
	$(GO) test -count=1 -run 'Distribution|UsualReadings|TestScenarios' ./deploy -update

pictures: ## the pictures of the front page, by Chromium from the demo (two minutes)
	$(GO) test -count=1 -timeout 15m -run 'TestPictures' -v ./cmd/calandria -pictures "$(CURDIR)/docs"
