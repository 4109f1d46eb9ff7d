# Completion for bash. Commands and options are asked of the program itself, so this file does not grow old.

# _slotproof_options COMMAND: one a line, as its help lists them.
_slotproof_options() {
  "${COMP_WORDS[0]}" "$1" --help 2>/dev/null | sed -n 's/^  \(--[a-z0-9-]*\).*/\1/p'
}

_slotproof_commands() {
  "${COMP_WORDS[0]}" --help 2>/dev/null | sed -n 's/^  \([a-z][a-z]*\)  *.*/\1/p'
}

# The words an option takes, where its help lists them ("...: knife or slot (knife)" is for reading; these are not).
_slotproof_values() {
  case $2 in
    --format) [ "$1" = layout ] && echo text json csv svg pdf board || echo text json csv html ;;
    --marks) echo knife slot wire ;;
    --nut) [ "$1" = diagnose ] || echo auto line end ;;
    --reference) echo auto rule strip profile distance dpi ;;
    --graduation) echo 1mm 0.5mm 1/16in 1/32in 1/64in 1/10in 1/20in 1/50in 1/100in ;;
  esac
}

_slotproof() {
  local now=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD - 1]} command=${COMP_WORDS[1]} values
  COMPREPLY=()
  if [ "$COMP_CWORD" -eq 1 ]; then
    mapfile -t COMPREPLY < <(compgen -W "$(_slotproof_commands) --help --version" -- "$now")
    return
  fi
  values=$(_slotproof_values "$command" "$before")
  if [ -n "$values" ]; then
    mapfile -t COMPREPLY < <(compgen -W "$values" -- "$now")
  elif [[ $now == -* ]]; then
    mapfile -t COMPREPLY < <(compgen -W "$(_slotproof_options "$command")" -- "$now")
  else
    mapfile -t COMPREPLY < <(compgen -f -- "$now")
  fi
}
complete -o filenames -F _slotproof slotproof
