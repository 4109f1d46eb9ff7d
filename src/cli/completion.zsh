#compdef slotproof
# Completion for zsh. Commands and options are asked of the program itself, so this file does not grow old.

# Lines "name:what it does" of the commands.
_slotproof_commands() {
  $words[1] --help 2>/dev/null | sed -n 's/^  \([a-z][a-z]*\)  *\(.*\)/\1:\2/p'
}

# The options of a command as _arguments wants them: --name[text] or --name[text]:VALUE:action.
_slotproof_options() {
  local line name value text action
  # a help line is "  --name VALUE   text"; between them stands a tab here
  $words[1] $1 --help 2>/dev/null | sed -n "s/^  --\([a-z0-9-]*\) \{0,1\}\([^ ]*\)  *\(.*\)/\1	\2	\3/p" |
  while IFS= read -r line; do
    name=${line%%	*}
    value=${${line#*	}%%	*}
    text=${${line##*	}//[\[\]:]/ }
    case $name in
      (format) [[ $1 == layout ]] && action='(text json csv svg pdf board)' || action='(text json csv html)' ;;
      (marks) action='(knife slot wire)' ;;
      (nut) [[ $1 == diagnose ]] && action=' ' || action='(auto line end)' ;;
      (reference) action='(auto rule strip profile distance dpi)' ;;
      (graduation) action='(1mm 0.5mm 1/16in 1/32in 1/64in 1/10in 1/20in 1/50in 1/100in)' ;;
      (*) case $value in
            (FILE*|RECORD*) action='_files' ;;
            (FOLDER) action='_files -/' ;;
            (*) action=' ' ;;
          esac ;;
    esac
    [[ -n $value ]] && print -r -- "--${name}[${text}]:$value:$action" || print -r -- "--${name}[${text}]"
  done
}

_slotproof() {
  local -a offered options
  if (( CURRENT == 2 )); then
    offered=(${(f)"$(_slotproof_commands)"})
    _describe command offered
    return
  fi
  options=(${(f)"$(_slotproof_options $words[2])"})
  _arguments -S $options '*:file:_files'
}

_slotproof "$@"
