#!/bin/bash
# test_completion_bash.sh PROGRAM COMPLETION: what bash offers is what the program lists.
set -eu
program=$1
complete() { :; } # what the file calls to announce itself
. "$2"
unset -f complete
failed=0

offers() { # words...; the last is being typed
  COMP_WORDS=("$program" "$@")
  COMP_CWORD=$#
  _slotproof
  printf '%s\n' "${COMPREPLY[@]}" | sort
}

same() { # what, expected, got
  [ "$2" = "$3" ] && return
  printf '%s\n  expected: %s\n  offered:  %s\n' "$1" "$(echo $2)" "$(echo $3)" >&2
  failed=1
}

# The lists are taken from the help by other means than the completion's own: by column, not by pattern.
commands=$("$program" --help | awk '/^commands$/ { on = 1; next } on && NF == 0 { exit } on { print $1 }')
[ "$(echo "$commands" | wc -l)" -ge 5 ]
same commands "$(printf '%s\n' $commands --help --version | sort)" "$(offers "")"
for command in $commands; do
  options=$("$program" "$command" --help | awk 'substr($0, 1, 4) == "  --" { print $1 }' | sort)
  [ "$(echo "$options" | wc -l)" -ge 3 ]
  same "$command" "$options" "$(offers "$command" --)"
done
same values "$(printf 'line\n')" "$(offers check --nut l)"
same files "$2" "$(offers batch "${2%bash}b")"
exit $failed
