#!/usr/bin/env bash
# A release in one command: release.sh VERSION [FOLDER]. The same source, Go and
# version give the same bytes: paths are left out, times are that of the commit.
#
# Of each target: an archive with program, handbook, rules and licences, a bill of
# materials (CycloneDX), for Linux a Debian package; and SHA256SUMS over all.
set -euo pipefail
version=${1:?usage: release.sh VERSION [FOLDER]} out=$(realpath -m "${2:-dist}")
cd "$(dirname "$0")/.."
export CGO_ENABLED=0 GOFLAGS=-trimpath LC_ALL=C TZ=UTC
# The newest mends of the standard library; the toolchain is fetched as a module.
export GOTOOLCHAIN=${RELEASE_GO:-go1.26.10}
export SOURCE_DATE_EPOCH=${SOURCE_DATE_EPOCH:-$(git log -1 --format=%ct)}
rm -rf "$out" && mkdir -p "$out"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
for target in ${TARGETS:-linux/amd64 linux/arm64 windows/amd64}; do
	os=${target%/*} arch=${target#*/} name=calandria-$version-${target/\//-} exe=
	[ "$os" != windows ] || exe=.exe
	dir=$work/$name
	mkdir "$dir"
	GOOS=$os GOARCH=$arch go build -buildvcs=false -ldflags "-s -w -X calandria/cmd/service.stamp=$version" -o "$dir/calandria$exe" ./cmd/calandria
	cp -r README.md CHANGELOG.md LICENSE docs deploy "$dir"
	find "$dir/deploy" -name '*.go' -delete
	deploy/licences.sh "$os" "$arch" >"$dir/LICENCES.txt"
	go run "$CYCLONEDX" bin -json -noserial -notimestamp -std -version "$version" -output "$out/$name.cdx.json" "$dir/calandria$exe"
	find "$dir" -exec touch -hd "@$SOURCE_DATE_EPOCH" {} +
	find "$dir" -type d -exec chmod 755 {} + -o -type f -exec chmod u=rwX,go=rX {} +
	tar -C "$work" --sort=name --owner=0 --group=0 --numeric-owner -cf - "$name" | gzip -9n >"$out/$name.tar.gz"
	if [ "$os" = linux ]; then
		# The package has the program where Debian wants it.
		sed 's|/usr/local/|/usr/|' deploy/systemd/calandria.service >"$work/calandria.service"
		touch -d "@$SOURCE_DATE_EPOCH" "$work/calandria.service"
		sed "s|\${DIR}|$dir|; s|\${WORK}|$work|; s|\${VERSION}|$version|; s|\${ARCH}|$arch|" deploy/package/nfpm.yaml >"$work/nfpm.yaml"
		go run "$NFPM" package -f "$work/nfpm.yaml" -p deb -t "$out" >/dev/null
	fi
done
cd "$out" && sha256sum -- * >SHA256SUMS && cat SHA256SUMS
