# Everyday verbs; `make` lists them.
BIN     := $(CURDIR)/bin
export PATH := $(BIN):$(PATH)
BUF_VERSION         := v1.75.0
GEN_GO_VERSION      := v1.36.12
GEN_GRPC_VERSION    := v1.6.2
STATICCHECK_VERSION := v0.8.2
FUZZTIME            ?= 10s

.PHONY: help
help: ## list the verbs
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | awk -F ':.*## ' '{printf "  %-10s %s\n", $$1, $$2}'

.PHONY: build
build: ## build bin/samecup
	CGO_ENABLED=0 go build -trimpath -ldflags '-s -w' -o $(BIN)/samecup ./cmd/samecup

.PHONY: station
station: ## build bin/samecup-station, the agent alone, for a small machine
	CGO_ENABLED=0 go build -tags station -trimpath -ldflags '-s -w' -o $(BIN)/samecup-station ./cmd/samecup

.PHONY: demo
demo: ## run the chain on this machine
	go run ./cmd/samecup demo

.PHONY: test
test: ## the README's test command
	go test ./...

.PHONY: race
race: ## the tests under the race detector
	go test -race -short ./...

.PHONY: proof
proof: build ## the demo proof for seeds 1 to 20
	@for seed in $$(seq 1 20); do $(BIN)/samecup demo --once --seed $$seed --json || exit 1; done

.PHONY: fuzz
fuzz: ## each fuzz target for FUZZTIME
	@.ci/fuzz $(FUZZTIME)

.PHONY: bench
bench: ## Go benchmarks, then ours beside their peers
	go test -run '^$$' -bench . -benchmem ./internal/verdict
	go run ./cmd/samecup bench all

.PHONY: tools
tools: ## the pinned tools, into bin/
	GOBIN=$(BIN) go install github.com/bufbuild/buf/cmd/buf@$(BUF_VERSION)
	GOBIN=$(BIN) go install google.golang.org/protobuf/cmd/protoc-gen-go@$(GEN_GO_VERSION)
	GOBIN=$(BIN) go install google.golang.org/grpc/cmd/protoc-gen-go-grpc@$(GEN_GRPC_VERSION)
	GOBIN=$(BIN) go install honnef.co/go/tools/cmd/staticcheck@$(STATICCHECK_VERSION)

.PHONY: generate
generate: ## the Go code of the protos (the only generator)
	buf format -w
	buf generate

.PHONY: fresh
fresh: generate ## fail if generated code was stale
	git diff --exit-code -- proto
	@test -z "$$(git status --porcelain -- proto)" || { git status --short -- proto; exit 1; }

.PHONY: lint
lint: ## gofmt, vet, staticcheck, buf lint and breaking, tidy go.mod
	@test -z "$$(gofmt -l cmd internal services station testdata)" || { gofmt -l cmd internal services station testdata; exit 1; }
	go vet ./...
	staticcheck ./...
	buf lint
	@if git cat-file -e HEAD~1:proto 2>/dev/null; then buf breaking --against '.git#ref=HEAD~1'; fi
	go mod tidy -diff
