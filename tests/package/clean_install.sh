#!/bin/sh
# clean_install.sh PACKAGE.deb [FOLDER]: as root, with network and debootstrap: the package installed by apt in a fresh
# Debian 12 with nothing but the base system, used there, removed again, and gone. Takes some minutes and 600 MB; FOLDER
# (kept if it is given) may hold the base system of an earlier run.
set -eu
package=$(readlink -f "$1")
here=$(readlink -f "$(dirname "$0")")
kept=${2:-}
root=${kept:-$(mktemp -d)}
[ -n "$kept" ] || trap 'rm -rf "$root"' EXIT
[ -x "$root/usr/bin/apt-get" ] || debootstrap --variant=minbase bookworm "$root"
cp "$package" "$root/tmp/slotproof.deb"
cp "$here/../../samples/kittiwake.png" "$root/tmp/"
if [ -e /etc/resolv.conf ]; then cp /etc/resolv.conf "$root/etc/resolv.conf"; fi
chroot "$root" sh -eu <<'INSIDE'
export DEBIAN_FRONTEND=noninteractive LC_ALL=C
apt-get update -qq
apt-get install -y -qq --no-install-recommends /tmp/slotproof.deb >/tmp/install.log 2>&1 || { cat /tmp/install.log; exit 1; }
cd /tmp
slotproof --version
for format in text json csv html; do
  status=0
  slotproof check --scale-length 381mm --frets 14 --format $format --output board.$format kittiwake.png || status=$?
  [ $status -eq 1 ] # two of its lines are out
  [ -s board.$format ]
done
status=0
slotproof batch --format html --history shop.sqlite --output batch.html board.json || status=$?
[ $status -eq 1 ]
slotproof layout --scale-length 648mm --frets 12 --format pdf --output layout.pdf
slotproof target --output strip.pdf
for file in batch.html shop.sqlite layout.pdf strip.pdf /usr/share/man/man1/slotproof.1.gz \
  /usr/share/bash-completion/completions/slotproof; do
  [ -s "$file" ] || case $file in */man/*) [ -s "${file%.gz}" ] ;; *) echo "$file is missing"; exit 1 ;; esac
done
apt-get purge -y -qq slotproof >/dev/null 2>&1
! [ -e /usr/bin/slotproof ]
! [ -e /usr/share/bash-completion/completions/slotproof ]
rm -f /tmp/board.* /tmp/batch.html /tmp/shop.sqlite /tmp/layout.pdf /tmp/strip.pdf
INSIDE
echo "installed, used and removed"
