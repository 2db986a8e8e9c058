#compdef otherroof
# Completes the words of `otherroof` in zsh. The program itself says what can stand at a place: first what kind of thing
# that is, then one word a line with its meaning behind a tab.

_otherroof() {
    local line tab=$'\t'
    local -a answer found
    answer=("${(@f)$(OTHERROOF_COMPLETE=1 "${(Q)words[1]}" "${(@Q)words[2,CURRENT]}" 2>/dev/null)}")
    case $answer[1] in
        files) _files ;;
        folders) _files -/ ;;
        words)
            for line in "${(@)answer[2,-1]}"; do
                found+=("${${line%%$tab*}//:/\\:}:${line#*$tab}")
            done
            _describe otherroof found
            ;;
    esac
}

if [[ ${funcstack[1]-} == _otherroof ]]; then
    _otherroof "$@"
else
    compdef _otherroof otherroof
fi
