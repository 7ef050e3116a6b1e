# frostgate: `make` alone lists what can be done.

GO      ?= go
ARGS    ?=
VERSION ?= $(shell git describe --tags --always --dirty 2>/dev/null || echo devel)
LINT    := $(GO) tool -modfile=tools.mod golangci-lint

# Options given after `--`, as in `make demo -- --once`, arrive as goals.
OPTIONS := $(filter --%,$(MAKECMDGOALS))

# Server programs that `make postgres` unpacked for an account that may not install packages.
export PATH := $(PATH):$(CURDIR)/.postgres/bin

.PHONY: help
help: ## list the targets
	@echo 'make TARGET [-- --OPTION...] or make TARGET ARGS="--option=value ..."'
	@awk -F ':.*## ' '/^[a-z]+:.*## /{printf "  %-10s %s\n", $$1, $$2}' Makefile

.PHONY: demo
demo: build postgres ## an invented winter week on local weather, with board and alerts; `make demo -- --once` ends after the table
	@exec ./bin/frostgate demo $(OPTIONS) $(ARGS)

.PHONY: run
run: build postgres ## the service on a private database in .data (or DATABASE_URL)
	@exec ./bin/frostgate serve --data=.data $(OPTIONS) $(ARGS)

.PHONY: test
test: postgres chromium ## all tests (without a browser those of the pages in it are left out)
	$(GO) test -timeout 20m $(ARGS) ./...

.PHONY: race
race: postgres chromium ## all tests under the race detector (needs a C compiler)
	$(GO) test -race -timeout 25m $(ARGS) ./...

.PHONY: fuzz
FUZZTIME ?= 15s
fuzz: ## each fuzz test for FUZZTIME (15s)
	@grep -rn --include='*_test.go' '^func Fuzz' . | sed -E 's|^(.*)/[^/]*:[0-9]+:func (Fuzz[A-Za-z0-9_]*).*|\1 \2|' | \
	while read -r package name; do \
	  $(GO) test -run '^$$' -fuzz "^$$name\$$" -fuzztime $(FUZZTIME) "$$package" || exit 1; \
	done

.PHONY: bench
BENCH ?= .
bench: postgres ## benchmarks that match BENCH (all)
	$(GO) test -run '^$$' -bench '$(BENCH)' -benchmem -timeout 60m $(ARGS) ./...

.PHONY: lint
lint: ## the linters of .golangci.yml
	$(LINT) run ./...

.PHONY: fmt
fmt: ## format the source as the linters want it
	$(LINT) fmt ./...

.PHONY: golden
golden: postgres ## write the golden files anew; look at the difference before you commit it
	UPDATE_GOLDEN=1 $(GO) test -count=1 -run Golden ./...

.PHONY: chaos
chaos: postgres ## kill the program and its database again and again under load and look for lost alerts
	FROSTGATE_KILLS=200 $(GO) test -count=1 -timeout 60m -v -run 'TestKill|TestDatabaseIsKilled' $(ARGS) ./cmd/frostgate ./scheduler

.PHONY: postgres
postgres: ## find the PostgreSQL server programs, or install them
	@.ci/need postgres

.PHONY: chromium
chromium: ## find a browser for the board's tests, or install it
	@.ci/need chromium

.PHONY: build
build: ## the program, as bin/frostgate
	@CGO_ENABLED=0 $(GO) build -trimpath -ldflags '-s -w -X main.version=$(VERSION)' -o bin/frostgate ./cmd/frostgate

.PHONY: docker
docker: ## the container image frostgate:VERSION
	docker build -f deploy/Dockerfile --build-arg VERSION=$(VERSION) -t frostgate:$(VERSION) .

# Options are goals to make; they need no work of their own.
--%:
	@:
