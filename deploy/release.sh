#!/usr/bin/env bash
# Builds what is handed out, into dist/: static programs for each platform,
# Debian packages, the licences of what is linked in, a bill of materials for
# each program, and the sums of it all. The same source makes the same bytes,
# wherever and whenever it is built.
#   TARGETS="linux/amd64 linux/arm64"   only these platforms
#   DIST=FOLDER                         somewhere else than dist/
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

NFPM=${NFPM:-github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.45.2}
CYCLONEDX=${CYCLONEDX:-github.com/CycloneDX/cyclonedx-gomod/cmd/cyclonedx-gomod@v1.10.0}
# arm/6 runs on every single-board computer with a floating-point unit, and is
# what the package for armhf holds; arm/7 is faster where there is more.
TARGETS=${TARGETS:-linux/amd64 linux/arm64 linux/arm/6 linux/arm/7 darwin/amd64 darwin/arm64 windows/amd64}
dist=${DIST:-dist}

version=$(git describe --tags --always --dirty --match 'v[0-9]*')
revision=$(git rev-parse HEAD)
SOURCE_DATE_EPOCH=$(git log -1 --format=%ct) # of packages and archives
export SOURCE_DATE_EPOCH CGO_ENABLED=0 TZ=UTC LC_ALL=C

# Debian wants a version that begins with a digit and sorts: v1.2.3-4-gabc is
# 1.2.3+4.gabc, and what has no tag sorts by its date, before any release.
case $version in
v*) debversion=$(sed -E 's/^v//; s/-([0-9]+)-g/+\1.g/; s/-dirty$/+dirty/; s/-/~/g' <<<"$version") ;;
*) debversion="0~$(date -u -d "@$SOURCE_DATE_EPOCH" +%Y%m%d.%H%M%S).${version//-/.}" ;;
esac

rm -rf "$dist"
mkdir -p "$dist"
dist=$(cd "$dist" && pwd)
stage=$(mktemp -d)
trap 'rm -rf "$stage"' EXIT

build() { # os arch [arm]: a program in $dist
	local name="outyard_${version}_$1_$2${3:+v$3}"
	[ "$1" != windows ] || name="$name.exe"
	echo "$name"
	# Modules as go.mod says, whatever the environment of whoever builds; and what
	# the toolchain finds out of the source by itself depends on how it was got.
	env GOFLAGS=-mod=readonly GOOS="$1" GOARCH="$2" GOARM="${3:-}" GOAMD64=v1 GOWORK=off \
		go build -trimpath -buildvcs=false -ldflags "-s -w -buildid= -X main.version=$version -X main.revision=$revision" -o "$dist/$name" ./cmd/outyard
}

package() { # debian-arch program
	local folder="$stage/$1"
	mkdir -p "$folder"
	cp "$dist/$2" "$folder/outyard"
	deploy/licences.sh "$dist/$2" >"$folder/licences"
	{
		cat deploy/debian/copyright
		cat "$folder/licences"
	} >"$folder/copyright"
	printf 'outyard (%s) unstable; urgency=medium\n\n  * Built from revision %s.\n\n -- The outyard maintainers <maintainers@outyard.example>  %s\n' \
		"$debversion" "$revision" "$(date -u -R -d "@$SOURCE_DATE_EPOCH")" | gzip -9n >"$folder/changelog.gz"
	cp deploy/debian/lintian-overrides "$folder/"
	# nfpm fills the folder of STAGE in, and keeps its times.
	find "$folder" -exec touch -d "@$SOURCE_DATE_EPOCH" {} +
	local deb="outyard_${debversion}_$1.deb"
	echo "$deb"
	STAGE="$folder" ARCH="$1" DEB_VERSION="$debversion" "${nfpm[@]}" package --config deploy/nfpm.yaml --packager deb --target "$dist/$deb" >"$stage/log" ||
		{ cat "$stage/log" >&2; exit 1; } # it writes its mistakes to standard output
}

# A tool is taken as it is named: a module to run, or a program that is there.
tool() { case $1 in *@*) echo "go run $1" ;; *) echo "$1" ;; esac; }
read -ra nfpm <<<"$(tool "$NFPM")"
read -ra cyclonedx <<<"$(tool "$CYCLONEDX")"

for target in $TARGETS; do
	IFS=/ read -r os arch arm <<<"$target"
	build "$os" "$arch" "${arm:-}"
done

# What is linked in differs a little between the platforms.
programs=("$dist"/outyard_*)
deploy/licences.sh "${programs[@]}" >"$stage/licences"
cp "$stage/licences" "$dist/outyard_${version}_licences.txt"
for target in $TARGETS; do
	case $target in
	linux/amd64) package amd64 "outyard_${version}_linux_amd64" ;;
	linux/arm64) package arm64 "outyard_${version}_linux_arm64" ;;
	linux/arm/6) package armhf "outyard_${version}_linux_armv6" ;;
	esac
done

# Bills of what is linked in, as each program itself says.
for program in "${programs[@]}"; do
	bill="$(basename "$program" .exe).cdx.json"
	echo "$bill"
	"${cyclonedx[@]}" bin -json -licenses -noserial -notimestamp -version "$version" -output "$dist/$bill" "$program" 2>"$stage/log" ||
		{ cat "$stage/log" >&2; exit 1; }
done

cd "$dist"
sha256sum outyard_* >SHA256SUMS
echo "SHA256SUMS"
