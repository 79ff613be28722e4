# What the tests need besides Go: a broker, its clients, a browser, a
# time-series server, which is built from its source, and the rules by which a
# page is checked for those who hear or feel it (npm fetches them). The last
# three check what lies in deploy/.
NEEDS := mosquitto mosquitto_pub chromium npm shellcheck systemd-analyze promtool
INFLUXD := github.com/influxdata/influxdb/cmd/influxd@v1.8.10
AXE := axe-core-4.14.1
AXE_JS := $(or $(XDG_CACHE_HOME),$(HOME)/.cache)/outyard/$(AXE).js

STATICCHECK := honnef.co/go/tools/cmd/staticcheck@v0.8.2

NFPM := github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.45.2
CYCLONEDX := github.com/CycloneDX/cyclonedx-gomod/cmd/cyclonedx-gomod@v1.10.0

.PHONY: run test needs parts lint bench soak score fault fuzz pictures release show-install show-unit

run: ## start the daemon with outyard.yaml, or with the defaults
	go run ./cmd/outyard serve

test: needs
	go vet ./...
	go test -race -timeout 30m ./...

# Installs what is missing where that can be done without asking.
needs: parts $(AXE_JS)

$(AXE_JS): | parts
	@mkdir -p $(@D)
	cd $(@D) && npm pack --silent axe-core@$(AXE:axe-core-%=%) && tar -xzOf $(AXE).tgz package/axe.min.js > $@.part && mv $@.part $@ && rm $(AXE).tgz

parts:
	@gobin="$$(go env GOPATH)/bin"; missing=""; for part in $(NEEDS); do \
		PATH="$$PATH:/usr/sbin:/usr/local/sbin:$$gobin" command -v $$part >/dev/null || missing="$$missing $$part"; done; \
	if [ -n "$$missing" ]; then \
		if ! command -v apt-get >/dev/null; then \
			echo "the tests need$$missing: install them (a broker with its clients, a browser, and node with npm) and run make test again" >&2; exit 1; fi; \
		if [ "$$(id -u)" = 0 ]; then sudo=""; elif sudo -n true 2>/dev/null; then sudo="sudo -n"; else \
			echo "the tests need$$missing: run sudo apt-get install mosquitto mosquitto-clients chromium npm shellcheck systemd, then make test again" >&2; exit 1; fi; \
		$$sudo apt-get update -q && \
		$$sudo env DEBIAN_FRONTEND=noninteractive apt-get install -qy --no-install-recommends $$(echo $$missing | sed 's/mosquitto_pub/mosquitto-clients/; s/systemd-analyze/systemd/; s/promtool//') && \
		case "$$missing" in *promtool*) dir="$$(mktemp -d)"; trap 'rm -rf "$$dir"' EXIT; cd "$$dir" && \
			apt-get download -q prometheus && dpkg-deb -x prometheus_*.deb . && install -D usr/bin/promtool "$$gobin/promtool";; esac; \
	fi
	@command -v influxd >/dev/null || [ -x "$$(go env GOPATH)/bin/influxd" ] || go install $(INFLUXD)

lint:
	@changed="$$(gofmt -l .)"; if [ -n "$$changed" ]; then echo "gofmt would change:"; echo "$$changed"; exit 1; fi
	go vet ./...
	go run $(STATICCHECK) ./...

bench: ## what design and README promise of speed and size, measured
	go test -run '^$$' -bench . -benchmem ./...
	go run ./cmd/measure

soak: ## a day of 10,000 hives into a daemon, quickened: nothing lost, memory flat; some ten minutes
	go run ./cmd/measure -only soak

score: ## how well the analyses do on invented seasons whose truth is known
	go run ./cmd/score

KILLS ?= 20

fault: needs ## parts killed, stopped and starved, the daemon KILLS times under load: what was acknowledged is kept
	go test -race -count=1 -timeout 30m -v -run '^(TestAckedMeansKept|TestKilledBehindAnotherBroker|TestAnotherBrokerRestarted|TestStoppedUnderLoad|TestBehindAnotherBroker|TestDiskFull|TestYardsAreTakenOver|TestKilledWhileItTells)$$' ./cmd/outyard -kills $(KILLS)
	go test -race -count=1 -timeout 30m -v -run '^(TestKilledAtAnyMoment|TestFullDisk)$$' ./store/sqlite
	go test -race -count=1 -timeout 30m -v -run '^(TestServerAwayForLong|TestServerKilledWhileWritten|TestKilledWithReadingsInTheQueue)$$' ./store/influx

FUZZTIME ?= 1m

fuzz: ## each decoder for FUZZTIME
	@set -e; for pkg in $$(go list ./...); do \
		for target in $$(go test -list '^Fuzz' $$pkg | grep '^Fuzz' || true); do \
			echo "$$pkg $$target"; \
			go test -run '^$$' -fuzz "^$$target$$" -fuzztime $(FUZZTIME) $$pkg; done; done

pictures: needs ## the README's two, made anew from the demo
	@dir=$$(mktemp -d) && trap 'rm -rf "$$dir"' EXIT && go build -o "$$dir/outyard" ./cmd/outyard && go run ./cmd/pictures -outyard "$$dir/outyard" -out pictures && ls -l pictures

release: ## into dist/: programs for each platform, Debian packages, bill of materials, sums
	NFPM=$(NFPM) CYCLONEDX=$(CYCLONEDX) deploy/release.sh

show-install: ## the package for this machine, in a fresh Debian: installed, used over TLS, removed (root; some minutes)
	$(call with_package,deploy/try-install.sh)

show-unit: ## the same under a systemd of its own: reloaded, killed, stuck, unplugged (root, systemd-nspawn; some minutes)
	$(call with_package,deploy/try-unit.sh)

# Builds the package for this machine, and runs a script on it.
with_package = @dir=$$(mktemp -d) && trap 'rm -rf "$$dir"' EXIT && \
	DIST="$$dir" TARGETS="linux/$$(go env GOHOSTARCH)" NFPM=$(NFPM) CYCLONEDX=$(CYCLONEDX) deploy/release.sh && \
	$(1) "$$dir"/*.deb
