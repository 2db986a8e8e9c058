# Completes the words of `otherroof` in bash. The program itself says what can stand at a place: first what kind of thing
# that is, then one word a line with its meaning behind a tab.

_otherroof() {
    local answer line
    mapfile -t answer < <(OTHERROOF_COMPLETE=1 "$1" "${COMP_WORDS[@]:1:COMP_CWORD}" 2>/dev/null)
    COMPREPLY=()
    for line in "${answer[@]:1}"; do
        COMPREPLY+=("${line%%$'\t'*}")
    done
    case ${answer[0]-} in
        files) compopt -o default ;;
        folders) compopt -o dirnames ;;
    esac
}

complete -F _otherroof otherroof
