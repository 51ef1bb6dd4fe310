#!/usr/bin/env bash
# Installs what the integration tests start: Debian packages (names as
# arguments), the independent OPC UA server the accessibility checker and DuckDB from npm. Does nothing for what
# is already there. Needs the rights to install packages.
set -euo pipefail
cd "$(dirname "$0")"
missing=()
for p in "$@"; do
	dpkg-query -W -f='${Status}' "$p" 2>/dev/null | grep -q 'install ok installed' || missing+=("$p")
done
if [ ${#missing[@]} -gt 0 ]; then
	sudo=; [ "$(id -u)" = 0 ] || sudo=sudo
	export DEBIAN_FRONTEND=noninteractive
	$sudo apt-get update -qq
	# Keep Debian from starting the servers as services: the tests start their own.
	policy=/usr/sbin/policy-rc.d
	if [ ! -e $policy ]; then printf '#!/bin/sh\nexit 101\n' | $sudo tee $policy >/dev/null; $sudo chmod +x $policy; trap '$sudo rm -f '$policy EXIT; fi
	$sudo apt-get install -y -qq --no-install-recommends -o DPkg::Lock::Timeout=300 "${missing[@]}"
fi
for f in interop axe duckdb; do
	if [ $f/package-lock.json -nt $f/node_modules/.package-lock.json ]; then
		(cd $f && npm ci --no-audit --no-fund --loglevel=error)
	fi
done
