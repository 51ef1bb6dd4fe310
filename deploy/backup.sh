#!/bin/sh
# Copies Calandria's data while it runs: backup.sh DATA-FOLDER BACKUP-FOLDER
#
# The order matters. Values move from the log into Parquet files: with the log
# copied first a value may be in both places, which reads as one, and never in
# neither. A segment is only added to: what was added during the copy is a torn
# tail, which is not read. Parquet files never change, but merging replaces several by one: the
# second pass brings what was merged during the first.
#
# Needs sqlite3. client-key.pem and journal.key are copied too, and the accounts file where it stands
# in the data folder: keep the copy as safe as the original.
set -eu
umask 077
[ $# = 2 ] || { echo "usage: $0 DATA-FOLDER BACKUP-FOLDER" >&2; exit 2; }
data=$1 to=$2
[ -e "$data/journal.db" ] || { echo "$data has no journal.db: is it Calandria's data folder?" >&2; exit 1; }
new=$to/$(date -u +%Y-%m-%dT%H%M%SZ)
mkdir -p "$new/archive"

# What was learned, first: the restored program lives through the archive from there.
# The signed heads of the journal too: a head must not be newer than the copy.
for f in learned.checkpoint learned anchors.jsonl journal.key journal.pub last-good.files; do
	[ ! -e "$data/$f" ] || cp -Rp "$data/$f" "$new/"
done

# A consistent copy of a database in use.
copy() { sqlite3 -cmd '.timeout 10000' "$1" "VACUUM INTO '$2'"; }
copy "$data/journal.db" "$new/journal.db"
[ ! -e "$data/archive/hot.db" ] || copy "$data/archive/hot.db" "$new/archive/hot.db" # the first format
mkdir -p "$new/archive/hot"
for f in tags forward; do
	[ ! -e "$data/archive/$f" ] || cp -p "$data/archive/$f" "$new/archive/"
done
for f in "$data"/archive/hot/segment_*.log; do
	[ ! -e "$f" ] || cp -p "$f" "$new/archive/hot/" 2>/dev/null || [ ! -e "$f" ] || { echo "cannot copy $f" >&2; exit 1; }
done

# Only files with their final name; one may go while it is read, for a merged one.
parquet() {
	(cd "$data/archive" && find . -name '*.parquet' -type f) | while read -r f; do
		[ -e "$new/archive/$f" ] && continue
		mkdir -p "$new/archive/$(dirname "$f")"
		cp -p "$data/archive/$f" "$new/archive/$f.part" 2>/dev/null && mv "$new/archive/$f.part" "$new/archive/$f" ||
			[ ! -e "$data/archive/$f" ] || { echo "cannot copy $f" >&2; exit 1; }
		rm -f "$new/archive/$f.part"
	done
}
parquet
parquet

for f in client-certificate.pem client-key.pem trusted accounts.yaml; do
	[ ! -e "$data/$f" ] || cp -Rp "$data/$f" "$new/"
done
echo "$new"
