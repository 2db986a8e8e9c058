# Completes the words of `otherroof` in fish. The program itself says what can stand at a place: first what kind of thing
# that is, then one word a line with its meaning behind a tab.

function __otherroof_complete
    set -l words (commandline -opc)
    set -l begun (commandline -ct)
    set -l answer (OTHERROOF_COMPLETE=1 $words[1] $words[2..] "$begun" 2>/dev/null)
    switch "$answer[1]"
        case files
            __fish_complete_path "$begun"
        case folders
            __fish_complete_directories "$begun"
        case words
            printf '%s\n' $answer[2..]
    end
end

complete --command otherroof --no-files --arguments '(__otherroof_complete)'
