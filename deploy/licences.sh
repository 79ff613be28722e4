#!/usr/bin/env bash
# Prints the licences of what is linked into programs of ours, as their authors
# ask of whoever hands them on:  deploy/licences.sh PROGRAM...
set -euo pipefail

modules=$(go version -m "$@" | awk '$1 == "dep" {print $2 "@" $3}' | sort -u)
[ -n "$modules" ] || { echo "$* names no modules: is it a Go program?" >&2; exit 1; }

# The licence of the language's own library, which is linked in as well.
if [ -f "$(go env GOROOT)/LICENSE" ]; then
	printf '\n==== The Go standard library\n\n'
	cat "$(go env GOROOT)/LICENSE"
fi
# shellcheck disable=SC2086 # a word for each module
go mod download -json $modules | awk -F'"' '/"Path":/ {path=$4} /"Version":/ {version=$4} /"Dir":/ {print path "@" version "\t" $4}' | sort |
	while IFS=$'\t' read -r module dir; do
		found=no
		for file in "$dir"/LICEN[CS]E* "$dir"/COPYING* "$dir"/NOTICE*; do
			[ -f "$file" ] || continue
			found=yes
			printf '\n==== %s, %s\n\n' "$module" "$(basename "$file")"
			cat "$file"
		done
		[ "$found" = yes ] || { echo "$module has no licence in $dir" >&2; exit 1; }
	done
