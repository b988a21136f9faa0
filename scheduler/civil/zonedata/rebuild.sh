#!/bin/sh
# Packs a release of the IANA time zone database (public domain) into
# zones.zip, with the release's own name inside, so that the program can say
# which release it reads whatever is installed on the machine.
#
# Usage: rebuild.sh FOLDER   where FOLDER is a compiled database, for example
#   apt-get download tzdata && dpkg -x tzdata_*.deb x && ./rebuild.sh x/usr/share/zoneinfo
# The files are taken as they were compiled by whoever published the release:
# the zic of glibc 2.36, asked for slim files, writes America/Ojinaga wrong from
# October 2022 on. Needs zip. Then run: go test ./scheduler/civil/...
set -eu
source=$1
here=$(cd "$(dirname "$0")" && pwd)
work=$(mktemp -d)
trap 'rm -r "$work"' EXIT
head -1 "$source/tzdata.zi" | sed 's/^# version //' > "$work/+VERSION"
(cd "$source" && find -L . -type f ! -path './posix/*' ! -path './right/*' ! -name posixrules ! -name localtime) |
while read -r name; do
	if [ "$(head -c 4 "$source/$name")" = TZif ]; then
		mkdir -p "$work/$(dirname "$name")"
		cp -L "$source/$name" "$work/$name"
	fi
done
cd "$work"
find . -type f -exec touch -t 198001010000 {} +
rm -f "$here/zones.zip"
find . -type f | sed 's|^\./||' | LC_ALL=C sort | zip -X -9 -q "$here/zones.zip" -@
