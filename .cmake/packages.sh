# Sourced by samples/try.sh and tests/run.sh: installs the Debian packages that are missing, and only those.
# Why each is needed: DEVELOPERS.md, "Dependencies".

need_packages() {
  missing=""
  for package in "$@"; do
    dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'install ok installed' || missing="$missing $package"
  done
  [ -z "$missing" ] && return 0
  echo "Installing what is missing:$missing"
  as_root=""
  if [ "$(id -u)" -ne 0 ]; then
    command -v sudo >/dev/null 2>&1 || { echo "Install these as root, then run this again:$missing" >&2; return 1; }
    as_root="sudo"
  fi
  $as_root apt-get update -q && $as_root env DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends $missing
}

program_packages="gcc g++ cmake ninja-build pkg-config libopencv-dev libpng-dev libjpeg-dev libtiff-dev libexif-dev libcjson-dev
  libcairo2-dev libxml2-dev libapriltag-dev libwebp-dev libheif-dev fonts-dejavu-core libsqlite3-dev nettle-dev libcsv-dev libmicrohttpd-dev libsane-dev
  libinih-dev"
test_packages="clang libclang-rt-14-dev libcmocka-dev libgsl-dev poppler-utils librsvg2-bin chromium chromium-driver zsh dpkg-dev opencv-doc"
