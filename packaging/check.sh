#!/bin/sh
# check.sh PROGRAM RECORDING: starts an installed program with nothing of this checkout, makes an exam by its API, hears a recording, copies the store and checks both.
set -eu
program=$1 recording=$2
dir=$(mktemp -d)
trap 'kill "$service" 2>/dev/null || true; rm -rf "$dir"' EXIT
service=
bare() { (cd "$dir" && env -i PATH=/usr/bin:/bin HOME="$dir" LEADSMAN_DATA="$dir/data" "$@"); }
fail() { echo "check: $1" >&2; exit 1; }

(cd "$dir" && exec env -i PATH=/usr/bin:/bin HOME="$dir" LEADSMAN_DATA="$dir/data" "$program" serve --addr 127.0.0.1:0 >"$dir/out" 2>"$dir/err") &
service=$!
url=
for _ in $(seq 300); do
	url=$(sed -n 's/^Leadsman is at \([^ ]*\).*/\1/p' "$dir/out")
	[ -z "$url" ] || break
	kill -0 "$service" 2>/dev/null || { cat "$dir/err" >&2; fail "the service ended"; }
	sleep 0.1
done
[ -n "$url" ] || fail "the service does not start"
ask() { curl -sS --fail-with-body -X "$1" -H 'Content-Type: application/json' ${3:+-d "$3"} "$url$2"; }
ask GET '' | grep -qi '<!doctype html' || fail "no page"
ask POST api/people '{"name":"Ada Quill","roles":["clinician"]}' >/dev/null
patient=$(ask POST api/patients '{"name":"Nell Ashby"}' | sed 's/.*"id":"\([^"]*\)".*/\1/')
ask POST api/exams "{\"patient\":\"$patient\",\"id\":\"first\",\"numbering\":\"fdi\"}" >/dev/null
ask POST api/exams/first/words '{"id":"w","text":"three two four"}' | grep -q '"did":"soundings"' || fail "nothing was entered"
ask GET api/exams/first | grep -q '"depth":4' || fail "the value is not in the chart"
bare "$program" backup "$dir/copy" >/dev/null
kill -TERM "$service"
wait "$service" || fail "the service did not end well"
bare "$program" verify >/dev/null || fail "the store"
bare "$program" verify "$dir/copy" >/dev/null || fail "the copy"
bare "$program" hear "$recording" --json | grep -q '"depth"' || fail "nothing was heard"
echo "check: $program starts, an exam was made, a recording heard, the store and its copy are whole"
