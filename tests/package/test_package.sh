#!/bin/sh
# test_package.sh CPACK BUILD_FOLDER VERSION: the Debian package is made, twice the same, holds what it should, names what it
# needs, and its program runs.
set -eu
cpack=$1
build=$2
version=$3
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
export SOURCE_DATE_EPOCH=1700000000

make_package() { # folder
  "$cpack" --config "$build/CPackConfig.cmake" -B "$1" >"$1.log" 2>&1 || { cat "$1.log" >&2; exit 1; }
}
make_package "$work/one"
make_package "$work/two"
package=$(ls "$work"/one/slotproof_"$version"_*.deb)
cmp "$package" "$work"/two/slotproof_"$version"_*.deb
[ "$(dpkg-deb -f "$package" Version)" = "$version" ]
depends=$(dpkg-deb -f "$package" Depends)
for library in libc6 libpng16-16 libtiff6 libsqlite3-0 libopencv-core libcjson1 libmicrohttpd12; do
  case $depends in
    *$library*) ;;
    *) echo "the package does not depend on $library: $depends" >&2; exit 1 ;;
  esac
done
dpkg-deb -x "$package" "$work/root"
for file in usr/bin/slotproof usr/share/man/man1/slotproof.1 usr/share/bash-completion/completions/slotproof \
  usr/share/zsh/vendor-completions/_slotproof usr/share/doc/slotproof/copyright; do
  [ -s "$work/root/$file" ] || { echo "the package lacks $file" >&2; exit 1; }
done
[ "$("$work/root/usr/bin/slotproof" --version)" = "slotproof $version" ]
