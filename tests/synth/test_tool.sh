#!/bin/sh
# The tool from outside: what it writes, and what it says when it is asked for nonsense.
set -eu
synth=$1
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

"$synth" --random 12 --seed 5 --out "$work/a" --set quick
"$synth" --random 12 --seed 5 --out "$work/b" --set quick
[ "$(wc -l < "$work/a/labels.jsonl")" -eq 12 ] || { echo "not 12 labels"; exit 1; }
[ "$(ls "$work"/a/*.flac | wc -l)" -eq 12 ] || { echo "not 12 recordings"; exit 1; }
diff -r "$work/a" "$work/b" || { echo "the same seed gave another set"; exit 1; }

"$synth" --random 4 --seed 5 --out "$work/c" --set quick --part 1 --parts 2
[ "$(wc -l < "$work/c/labels-1.jsonl")" -eq 2 ] || { echo "the second half of 4 is not 2"; exit 1; }

"$synth" --named two-dead-opposite -o "$work/x.wav" --truth "$work/x.json"
grep -q '"class":"dead"' "$work/x.json" || { echo "two dead cylinders are not labelled dead"; exit 1; }

refused() {
  wanted=$1
  shift
  status=0
  "$synth" "$@" > "$work/out" 2> "$work/err" || status=$?
  [ "$status" -eq 2 ] || { echo "status $status instead of 2 for: $*"; exit 1; }
  grep -q "$wanted" "$work/err" || { echo "no word of '$wanted' for: $*"; cat "$work/err"; exit 1; }
}
refused "no scene is named" --named nonsense -o "$work/y.wav"
refused "say where to write" --named dead-four
refused "no such scene file" "$work/missing.json" -o "$work/y.wav"
refused "cannot be written" --named dead-four -o "$work/no/such/place.wav"
echo '{"duration": 3}' > "$work/typo.json"
refused 'unknown key "duration"' "$work/typo.json" -o "$work/y.wav"
echo '{"duration_s": 3,' > "$work/broken.json"
refused "does not parse" "$work/broken.json" -o "$work/y.wav"
