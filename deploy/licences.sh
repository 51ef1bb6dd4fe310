#!/usr/bin/env bash
# Lists what is built into the program, and under which licence, then the texts:
# licences.sh GOOS GOARCH. It fails where a licence is none of those that need
# nothing more than their text.
set -euo pipefail
cd "$(dirname "$0")/.."
export GOOS=$1 GOARCH=$2 CGO_ENABLED=0 LC_ALL=C
list=$(mktemp) texts=$(mktemp)
trap 'rm -f "$list" "$texts"' EXIT
kind() { # of a text, by the sentences that only it has
	local text; text=$(tr -s ' \n\t' ' ' <"$1")
	case $text in
	*"Apache License"*"Version 2.0"*) echo Apache-2.0 ;;
	*"Permission is hereby granted, free of charge"*) echo MIT ;;
	*"Redistribution and use in source and binary forms"*"either the name"* | *"Redistribution and use in source and binary forms"*"name of"*"may not be used"*) echo BSD-3-Clause ;;
	*"Redistribution and use in source and binary forms"*) echo BSD-2-Clause ;;
	*"public domain"*) echo public-domain ;;
	*) echo unknown ;;
	esac
}
add() { # name, version, folder
	local found=
	for f in "$3"/LICENSE* "$3"/COPYING* "$3"/"$1".LICENSE; do
		case $f in *LOGO*) continue ;; esac # of a picture that is not built in
		[ -f "$f" ] || continue
		[ "$(kind "$f")" != unknown ] || { echo "$1: the licence in $f is not known" >&2; exit 1; }
		found="$found $(kind "$f")"
		printf '\n===== %s %s: %s\n\n' "$1" "$2" "$(basename "$f")" >>"$texts"
		cat "$f" >>"$texts"
	done
	[ -n "$found" ] || { echo "$1 has no licence in $3" >&2; exit 1; }
	printf '%-50s %-45s%s\n' "$1" "$2" "$found" >>"$list"
}
add Go "$(go env GOVERSION)" "$(go env GOROOT)"
add uPlot "$(sed -n 's/.*uPlot \([0-9.]*\).*/\1/p' console/static/vendor/README.md | head -1)" console/static/vendor
while read -r path version dir; do add "$path" "$version" "$dir"; done < <(go list -deps -f '{{with .Module}}{{if .Version}}{{.Path}} {{.Version}} {{.Dir}}{{end}}{{end}}' ./cmd/calandria | sort -u)
cat "$list" "$texts"
