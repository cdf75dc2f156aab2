#!/bin/sh
# shellcheck disable=SC2015,SC2016,SC2086,SC2035,SC2088,SC2254 # patterns are meant to be split and matched
# Hand-over check of a prepared unit, as one text file. Needs a POSIX shell, nothing installed. Run it as root.
# It only reads, and shows no secret: it names rules and paths.
#
#   sh handover.sh            checks this machine
#   sh handover.sh FOLDER     checks a prepared system that is mounted there
#
# Then, where the advisor is installed: advisor handover --from FILE with what it printed.

LC_ALL=C
export LC_ALL
PATH=$PATH:/usr/sbin:/sbin
cd -P "${1:-/}" || exit 2
R=$(pwd -P)
[ "$R" = / ] && R=
[ -d etc ] || { echo "There is no etc in $R/: name the folder that holds etc and usr." >&2; exit 2; }
NL='
'
echo "@MARK@"
found=0

# A name with a line break would be taken for two, so that nothing is asked of it; that there is one is said.
if [ -n "$(find . \( -path ./proc -o -path ./sys -o -path ./dev -o -path ./run \) -prune -o -name "*$NL*" -print 2>/dev/null | head -n 1)" ]; then
    echo "@BROKEN@"
    found=1
fi

# inside PATH: that no folder of the path is a link, so that nothing outside is looked at.
inside() {
    case $1 in
    */*) d=$(cd -P "./${1%/*}" 2>/dev/null && pwd -P) && [ "$d" = "$R/${1%/*}" ] ;;
    *) : ;;
    esac
}

# passed_by PATH: that it is one of the rule's exceptions.
passed_by() {
    for e in $except; do
        case $1 in
        $e) return 0 ;;
        esac
    done
    return 1
}

# owned PATH: that a package brought it. What is asked often is read of the packages' lists once.
LISTED=$NL$(cat var/lib/dpkg/info/*.list 2>/dev/null | grep -E "^/(etc|(usr/)?lib/(systemd|udev|sysusers\.d|tmpfiles\.d))/")$NL
owned() {
    case $1 in
    etc/* | usr/lib/systemd/* | usr/lib/udev/* | usr/lib/sysusers.d/* | usr/lib/tmpfiles.d/*)
        case $LISTED in
        *"$NL/$1$NL"* | *"$NL/${1#usr/}$NL"*) return 0 ;;
        esac
        return 1
        ;;
    esac
    grep -qxF -- "/$1" var/lib/dpkg/info/*.list 2>/dev/null || grep -qxF -- "/${1#usr/}" var/lib/dpkg/info/*.list 2>/dev/null
}

say() {
    case $1 in
    *"$NL"*) return ;;
    esac
    found=1
    printf '%s\t%s\n' "$rule" "$1"
}

# holds PATH: whether it is there and, by the rule's look, not empty.
holds() {
    case $look in
    any) [ -e "$1" ] || [ -L "$1" ] ;;
    file | unowned_file) [ -f "$1" ] && [ ! -L "$1" ] && [ -s "$1" ] ;;
    masked) [ -L "$1" ] && [ "$(readlink "$1")" = /dev/null ] || { [ -f "$1" ] && [ ! -L "$1" ] && [ ! -s "$1" ]; } ;;
    link) [ -L "$1" ] && readlink "$1" | grep -Ev -e "${unless:-^$}" | grep -Eq $flags -e "$pattern" ;;
    head) [ -f "$1" ] && [ ! -L "$1" ] && head -c 4096 <"$1" | grep -Eaq $flags -e "$pattern" ;;
    *)
        if [ -d "$1" ] && [ ! -L "$1" ]; then
            [ -n "$(ls -A -- "$1" 2>/dev/null)" ]
        elif [ -L "$1" ]; then
            [ "$look" != unowned ]
        else
            [ -f "$1" ] && [ -s "$1" ]
        fi
        ;;
    esac
}

# lines PATH: whether a text, unpacked, has a line of the pattern; comments are passed by where the look says so.
lines() {
    [ -f "$1" ] && [ ! -L "$1" ] && [ -r "$1" ] || return 1
    case $1 in
    *.gz) zcat <"$1" 2>/dev/null ;;
    *) cat <"$1" ;;
    esac | if [ "$look" = line ]; then
        grep -Eav -e "^[[:blank:]]*(#|;|//[[:blank:]]|--[[:blank:]])"
    else
        cat
    fi | if [ -n "$unless" ]; then
        grep -Eav $flags -e "$unless"
    else
        cat
    fi | grep -Eaq $flags -e "$pattern"
}

# look GLOB...: asks the rule of each path; names stand in rule, look, flags, pattern, unless, except.
ask() {
    for f in "$@"; do
        [ -e "$f" ] || [ -L "$f" ] || continue
        case $f in
        */. | */..) continue ;;
        esac
        inside "$f" && ! passed_by "$f" || continue
        case $look in
        line | text) lines "$f" ;;
        *) holds "$f" ;;
        esac || continue
        case $look:$f in
        unowned*) owned "$f" && continue ;;
        *:usr/local/*) : ;;
        *:usr/*) owned "$f" && continue ;;
        esac
        say "$f"
    done
}

# deep NAME: everything below the root, folders of the kernel's left out, whose path ends so.
deep() {
    find . \( -path ./proc -o -path ./sys -o -path ./dev -o -path ./run \) -prune -o \( "$@" \) -print 2>/dev/null
}

