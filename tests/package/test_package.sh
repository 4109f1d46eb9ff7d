#!/bin/sh
# test_package.sh CPACK BUILD_FOLDER VERSION: the Debian package is made, twice the same, holds what it should, names what it
# needs, can be installed where nothing is installed yet (as far as apt's lists here can tell), and its program runs.
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
# Every library the program names must belong to a package that is depended on: asked of the loader and of dpkg, not of the
# tool that made the list.
dpkg-deb -x "$package" "$work/root"
program=$work/root/usr/bin/slotproof
own=$(find "$work/root/usr/lib" -name slotproof-bridge.so)
for file in "$program" "$own"; do
  needed=$(readelf -d "$file" | sed -n 's/.*(NEEDED).*\[\(.*\)\]/\1/p')
  [ "$(echo "$needed" | wc -l)" -gt 5 ]
  for library in $needed; do
    path=$(ldd "$file" | awk -v l="$library" '$1 == l { print $3 }')
    # dpkg may know it under /lib or /usr/lib, which are one folder
    owner=$(dpkg -S "$path" 2>/dev/null || dpkg -S "$(readlink -f "$path")" 2>/dev/null || dpkg -S "/usr$path")
    owner=$(echo "$owner" | sed -n '1s/:.*//p')
    case ", $depends," in
      *", $owner "*|*", $owner,"*) ;;
      *) echo "the package does not depend on $owner, which has $library: $depends" >&2; exit 1 ;;
    esac
  done
done
# Neither is looked for anywhere but where the loader looks for all; OpenCV is not loaded before it is needed.
for file in "$program" "$own"; do
  ! readelf -d "$file" | grep -E 'RPATH|RUNPATH'
done
! readelf -d "$program" | grep -i opencv

# Those that are loaded later are named in the program's text alone.
late=$(grep -aoE 'lib(cairo|heif|microhttpd|sane)\.so\.[0-9]+' "$program" | sort -u)
[ "$(echo "$late" | wc -l)" -ge 3 ]
for library in $late; do
  path=$(ldconfig -p | awk -v l="$library" '$1 == l { print $NF; exit }')
  owner=$(dpkg -S "$path" 2>/dev/null || dpkg -S "$(readlink -f "$path")" 2>/dev/null || dpkg -S "/usr$path")
  owner=$(echo "$owner" | sed -n '1s/:.*//p')
  case ", $depends," in
    *", $owner "*|*", $owner,"*) ;;
    *) echo "the package does not depend on $owner, which has $library: $depends" >&2; exit 1 ;;
  esac
done

# On a system without any package, from the lists of packages apt has here, if it has any.
if apt-cache show libc6 >/dev/null 2>&1 && [ -n "$(ls /var/lib/apt/lists/*Packages* 2>/dev/null)" ]; then
  : >"$work/status"
  apt-get -o Dir::State::status="$work/status" -o Debug::NoLocking=true --no-install-recommends --simulate install \
    "$package" >"$work/simulated" 2>&1 || { cat "$work/simulated" >&2; exit 1; }
  grep -q '^Inst slotproof ' "$work/simulated"
  grep -q '^Inst libcairo2 ' "$work/simulated"
fi

for file in usr/bin/slotproof usr/share/man/man1/slotproof.1 usr/share/bash-completion/completions/slotproof \
  usr/share/zsh/vendor-completions/_slotproof usr/share/doc/slotproof/copyright; do
  [ -s "$work/root/$file" ] || { echo "the package lacks $file" >&2; exit 1; }
done
[ "$("$program" --version)" = "slotproof $version" ]
"$program" layout --scale-length 648mm --frets 12 --format pdf --output "$work/layout.pdf"
[ -s "$work/layout.pdf" ]
status=0
"$program" check --scale-length 381mm --frets 14 --format html --output "$work/board.html" \
  "$(dirname "$0")/../../samples/kittiwake.png" || status=$?
[ $status -eq 1 ] # two of its lines are out
[ -s "$work/board.html" ]
