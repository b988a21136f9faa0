#!/bin/sh
# Packs a release of the IANA time zone database (public domain) into
# zones.zip, with the release's own name inside, so that the program can say
# which release it reads whatever is installed on the machine.
#
# Usage: rebuild.sh FOLDER   where FOLDER holds tzdata.zi, for example
#   apt-get download tzdata && dpkg -x tzdata_*.deb x && ./rebuild.sh x/usr/share/zoneinfo
# Needs zic (libc-bin) and zip. Then run: go test ./scheduler/civil/...
set -eu
source="$1/tzdata.zi"
here=$(cd "$(dirname "$0")" && pwd)
work=$(mktemp -d)
trap 'rm -r "$work"' EXIT
zic -b slim -d "$work" "$source"
head -1 "$source" | sed 's/^# version //' > "$work/+VERSION"
cd "$work"
find . -type f -exec touch -t 198001010000 {} +
rm -f "$here/zones.zip"
find . -type f | sed 's|^\./||' | LC_ALL=C sort | zip -X -9 -q "$here/zones.zip" -@
