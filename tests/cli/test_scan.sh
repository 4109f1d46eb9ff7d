#!/bin/sh
# test_scan.sh PROGRAM FOLDER [STUCK]: the command 'scan' with SANE's own test device, in FOLDER. Without SANE: its one
# line. STUCK is a library with which the end of a scan never comes.
program=$1
cd "$2" || exit 1
export SANE_CONFIG_DIR="$PWD"
failed=0
fail() {
  echo "FAILED: $*" >&2
  failed=1
}
# configure DEVICES DELAY
configure() {
  echo test > dll.conf
  cat > test.conf << CONF
number_of_devices $1
mode Gray
depth 8
resolution_min 1.0
resolution_max 1200.0
resolution_quant 1.0
resolution 50.0
test-picture "Grid"
read-delay $2
read-delay-duration 100000
read-status-code "Default"
enable-test-options false
geometry_min 0.0
geometry_max 200.0
geometry_quant 1.0
tl_x 0.0
tl_y 0.0
br_x 80.0
br_y 100.0
CONF
}
# expect STATUS WORDS COMMAND...: its status, and the words in what it says
expect() {
  wanted=$1 words=$2
  shift 2
  said=$("$@" 2>&1)
  status=$?
  [ $status -eq "$wanted" ] || fail "$* ended with $status, not $wanted: $said"
  case $said in *"$words"*) ;; *) fail "$* said '$said', not '$words'" ;; esac
}

rm -f scan.png
configure 1 false
if "$program" scan --list 2>&1 | grep -q 'without scanner support'; then
  expect 64 'without scanner support' "$program" scan --output scan.png
  exit $failed
fi
expect 0 'test:0' "$program" scan --list
expect 0 ' px, 300 dpi, 8 bits, from test:0' \
  "$program" scan --resolution 300 --area 0mm,1cm,100mm,150mm --output scan.png
[ -s scan.png ] || fail "no picture"
expect 2 'no rule' "$program" reference scan.png # a grid is none, and it is a picture that can be read
rm -f scan.png
expect 0 '16 bits' "$program" scan --device test:0 --bits 16 --resolution 75 --output scan.png
rm -f scan.png
expect 64 '--output' "$program" scan
expect 64 '--area' "$program" scan --area 1mm,2mm --output scan.png
expect 64 '--bits' "$program" scan --bits 12 --output scan.png
expect 64 '--resolution' "$program" scan --resolution fine --output scan.png
expect 64 'takes no picture' "$program" scan other.png
expect 66 'test:9' "$program" scan --device test:9 --output scan.png
configure 2 false
expect 64 'there are 2 scanners' "$program" scan --output scan.png

# Stopped, it ends by the signal, says so, leaves no file. (A shell's background ignores SIGINT, and what is ignored
# stays so.)
begin() { # what to put before the program's own libraries, if anything
  LD_PRELOAD=$1 "$program" scan --output scan.png > said.txt 2>&1 &
  pid=$!
  sleep 1
  kill -TERM $pid 2> /dev/null || fail "it was over too soon"
}
ended() { # status, words
  wait $pid
  status=$?
  [ $status -eq "$1" ] || fail "stopped, it ended with $status: $(cat said.txt)"
  grep -q "$2" said.txt || fail "stopped, it said: $(cat said.txt)"
  [ -z "$(ls scan.png* 2> /dev/null)" ] || fail "stopped, it left $(ls scan.png*)"
}
configure 1 true
begin ''
ended 143 'stopped; nothing was written'
# A driver that does not come back when it is told to stop is left, here because it is asked twice.
if [ -n "$3" ]; then
  begin "$3"
  sleep 1
  kill -TERM $pid 2> /dev/null || fail "the driver that stands still had ended"
  ended 74 'does not stop'
fi
exit $failed
