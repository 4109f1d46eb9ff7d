# test_completion_zsh.sh PROGRAM COMPLETION, run by zsh -f: what zsh is told is what the program lists.
emulate -L zsh
program=$1
file=$2
failed=0

# The two functions of zsh's own that the completion ends in: here they print what they are given.
_arguments() { print -rl -- "$@" }
_describe() { print -rl -- "${(@P)2}" }

offers() { # words...
  words=("$program" "$@" "")
  CURRENT=$#words
  source $file
}

same() { # what, expected, got
  [[ $2 == $3 ]] && return
  print -r -- "$1: expected: ${(j: :)${(f)2}}" >&2
  print -r -- "$1: offered:  ${(j: :)${(f)3}}" >&2
  failed=1
}

named=("${(@f)$($program --help | awk '/^commands$/ { on = 1; next } on && NF == 0 { exit } on { print $1 }')}")
(( $#named >= 5 )) || exit 1
same commands "$(print -rl -- $named | sort)" "$(offers | sed 's/:.*//' | sort)"
for command in $named; do
  listed=$($program $command --help | awk 'substr($0, 1, 4) == "  --" { print $1 }' | sort)
  same $command "$listed" "$(offers $command | sed -n 's/\[.*//p' | sort)"
done
[[ "$(offers check)" == *"--nut["*":KIND:(auto line end)"* ]] || { print "no words for --nut" >&2; failed=1; }
[[ "$(offers batch)" == *"--results["*":FOLDER:_files -/"* ]] || { print "no folders for --results" >&2; failed=1; }
exit $failed
