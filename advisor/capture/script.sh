#!/bin/sh
# Facts of this machine for the bench advisor, as one text file. Needs a POSIX shell, nothing installed.
# It only reads, and leaves out serial numbers, addresses and asset tags. As root it also reads the memory slots.
#
#   sh capture.sh          writes unit-DATE-TIME.txt beside this script
#   sh capture.sh FILE     writes FILE
#   sh capture.sh -        prints
#
# Then, where the advisor is installed: advisor capture --from FILE

LC_ALL=C
export LC_ALL
PATH=$PATH:/usr/sbin:/sbin
unset CDPATH
# A recorded machine is read when ADVISOR_ROOT names its folder.
R=
if [ -n "${ADVISOR_ROOT:-}" ] && [ "$ADVISOR_ROOT" != / ]; then
    R=$(cd -P "$ADVISOR_ROOT" && pwd) || exit 2
fi

say() {
    printf '%s\n' "$1"
}

# text PATH...: the lines of each file that is there.
text() {
    for f in "$@"; do
        [ -f "$R$f" ] || continue
        if [ ! -r "$R$f" ]; then
            say "$f ! needs root"
            continue
        fi
        while IFS= read -r line || [ -n "$line" ]; do
            say "$f = $line"
        done <"$R$f"
    done
}

# some PATH PATTERN...: the lines of a file that begin with one of the patterns.
some() {
    f=$1
    shift
    [ -f "$R$f" ] && [ -r "$R$f" ] || return 0
    while IFS= read -r line || [ -n "$line" ]; do
        for wanted in "$@"; do
            # shellcheck disable=SC2254
            case $line in
            $wanted)
                say "$f = $line"
                break
                ;;
            esac
        done
    done <"$R$f"
}

# here PATH: that there is such a folder, whatever is in it.
here() {
    [ -d "$R$1" ] && say "$1/"
}

# place PATH: sets p to where a folder or a link to one really is.
place() {
    p=$(cd -P "$R$1" && pwd) || return 1
    p=${p#"$R"}
}

# device PATH ATTRIBUTE...: where a device is, and its attributes.
device() {
    place "$1" || return 0
    say "$1 -> $p"
    shift
    for a in "$@"; do
        text "$p/$a"
    done
    if [ -d "$R$p/driver" ]; then
        at=$p
        place "$p/driver" && say "$at/driver -> $p"
        p=$at
    fi
}

# bytes PATH: the bytes of a file as hexadecimal pairs.
bytes() {
    if command -v od >/dev/null; then
        od -An -v -tx1 "$R$1"
    elif command -v hexdump >/dev/null; then
        hexdump -v -e '1/1 "%02x "' "$R$1"
    fi
}

# panel PATH: an EDID's native size, without serial numbers; the check sum is kept as right or wrong as it was.
panel() {
    n=0 old=0 new=0 area='' last=''
    for b in $(bytes "$1"); do
        [ $n -lt 128 ] || break
        old=$(((old + 0x$b) % 256))
        if [ $n -eq 127 ]; then
            break
        elif [ $n -ge 12 ] && [ $n -le 15 ] || [ $n -ge 72 ]; then
            b=00
        fi
        [ $n -eq 55 ] && [ "$last$b" = 0000 ] && return
        new=$(((new + 0x$b) % 256))
        area=$area$b
        last=$b
        n=$((n + 1))
    done
    [ $n -eq 127 ] && say "$1 := $area$(printf '%02x' $(((old - new + 256) % 256)))"
}

# firmware: of the SMBIOS table, the structures of BIOS (0), memory array (16) and memory place (17), without strings.
firmware() {
    t=/sys/firmware/dmi/tables/DMI
    [ -f "$R$t" ] || return 0
    if [ ! -r "$R$t" ]; then
        say "$t ! needs root"
        return
    fi
    n=0 kind='' length=4 area='' last='' strings=''
    for b in $(bytes "$t"); do
        if [ -z "$strings" ]; then
            n=$((n + 1))
            area=$area$b
            [ $n -eq 1 ] && kind=$b
            [ $n -eq 2 ] && length=$((0x$b))
            if [ $n -ge 4 ] && [ $n -ge $length ]; then
                [ $length -ge 4 ] || break
                strings=1 last=''
            fi
        elif [ "$last$b" = 0000 ]; then
            case $kind in
            00 | 10 | 11) say "$t := ${area}0000" ;;
            7f) break ;;
            esac
            n=0 length=4 area='' strings=''
        else
            last=$b
        fi
    done
    [ -z "$strings" ] || case $kind in 00 | 10 | 11) say "$t := ${area}0000" ;; esac
}

record() {
    say 'bench-advisor recording 1'
    command -v date >/dev/null && say "taken $(date -u +%Y-%m-%dT%H:%M:%SZ)"
    case $(id -u) in
    0) say '/run/advisor/user = root' ;;
    *) say '/run/advisor/user = user' ;;
    esac

    some /proc/cpuinfo 'processor*' 'vendor_id*' 'cpu family*' 'model*' 'stepping*' 'flags*' 'physical id*' \
        'core id*' 'cpu cores*'
    some /proc/meminfo 'MemTotal:*'
    for d in "$R"/sys/devices/system/cpu/cpu[0-9]*; do
        d=${d#"$R"}
        text "$d/topology/core_id" "$d/topology/physical_package_id" "$d/topology/die_id"
    done

    here /sys
    here /sys/firmware
    here /sys/firmware/efi
    text /sys/firmware/efi/fw_platform_size
    s=/sys/firmware/efi/efivars/SecureBoot-8be4df61-93ca-11d2-aa0d-00e098032b8c
    if [ -f "$R$s" ]; then
        # shellcheck disable=SC2046
        set -- $(bytes $s)
        [ $# -ge 5 ] && say "$s := $1$2$3$4$5"
    fi
    if place /sys/class/dmi/id; then
        say "/sys/class/dmi/id -> $p"
        for a in sys_vendor product_name product_version board_vendor board_name chassis_type; do
            text "$p/$a"
        done
    fi
    firmware
    some /run/udev/data/+dmi:id 'E:MEMORY_ARRAY_NUM_DEVICES=*' 'E:MEMORY_ARRAY_MAX_CAPACITY=*' \
        'E:MEMORY_DEVICE_*_SIZE=*' 'E:MEMORY_DEVICE_*_FORM_FACTOR=*' 'E:MEMORY_DEVICE_*_TYPE=*' \
        'E:MEMORY_DEVICE_*_SPEED_MTS=*' 'E:MEMORY_DEVICE_*_PRESENT=*'
    here /sys/class/tpm
    for d in "$R"/sys/class/tpm/tpm[0-9]*; do
        [ -d "$d" ] && device "${d#"$R"}" tpm_version_major device/caps caps
    done
    for d in "$R"/sys/bus/acpi/devices/MSFT0101* "$R"/sys/bus/acpi/devices/PNP0C31* \
        "$R"/sys/bus/acpi/devices/PNP0C50*; do
        here "${d#"$R"}"
    done

    for bus in pci usb sdio virtio; do
        here /sys/bus/$bus/devices
        for d in "$R/sys/bus/$bus/devices"/*; do
            [ -f "$d/modalias" ] && device "${d#"$R"}" modalias class bInterfaceClass remapped_nvme
        done
    done

    here /sys/class/block
    for d in "$R"/sys/class/block/*; do
        name=${d##*/}
        case $name in loop* | ram* | zram* | dm-* | md* | sr[0-9]* | fd[0-9]* | nbd* | '*') continue ;; esac
        [ -f "$d/partition" ] && continue
        device "${d#"$R"}" size removable hidden dev queue/rotational device/model device/type device/name \
            device/life_time device/pre_eol_info
        number=
        [ -r "$d/dev" ] && read -r number <"$d/dev"
        case $p in
        */usb*) ;;
        *) some "/run/udev/data/b$number" 'E:ID_MODEL=*' 'E:ID_ATA_ROTATION_RATE_RPM=*' ;;
        esac
        health
    done
    for d in "$R"/sys/class/nvme/nvme*; do
        [ -d "$d" ] && device "${d#"$R"}" model
    done

    n=0
    for d in "$R"/sys/class/net/*; do
        [ -d "$d/device" ] || continue
        place "${d#"$R"}" || continue
        # A name may hold the address; any name does.
        n=$((n + 1)) at="${p%/*}/if$n"
        say "/sys/class/net/if$n -> $at"
        [ -r "$d/type" ] && read -r line <"$d/type" && say "$at/type = $line"
        if [ -d "$d/phy80211" ] || [ -d "$d/wireless" ]; then say "$at/phy80211/"; fi
        case ${d##*/} in wwan* | wwp* | wwx* | bnep*) say "$at/mobile/" ;; esac
    done

    here /sys/class/drm
    for d in "$R"/sys/class/drm/card*-*; do
        [ -d "$d" ] || continue
        device "${d#"$R"}" status
        [ -r "$d/modes" ] && read -r line <"$d/modes" && say "$p/modes = $line"
        case ${d##*/} in
        *-eDP-* | *-LVDS-* | *-DSI-*) [ -r "$d/edid" ] && panel "$p/edid" ;;
        esac
    done
    here /sys/class/input
    for d in "$R"/sys/class/input/input*; do
        [ -d "$d" ] || continue
        device "${d#"$R"}" properties capabilities/ev capabilities/abs capabilities/key
        some "/run/udev/data/+input:${d##*/}" 'E:ID_INPUT_TOUCHSCREEN=*'
    done
    for d in "$R"/sys/class/video4linux/*; do
        [ -d "$d" ] && device "${d#"$R"}"
    done
    here /sys/class/power_supply
    n=0
    for d in "$R"/sys/class/power_supply/*; do
        [ -d "$d" ] || continue
        # That of a mouse or a pen is not the unit's. Its name holds its serial number or address; any name may.
        scope=
        [ -r "$d/scope" ] && read -r scope <"$d/scope"
        [ "$scope" = Device ] && continue
        n=$((n + 1)) at=/sys/devices/supply$n
        say "/sys/class/power_supply/supply$n -> $at"
        for a in type present energy_full energy_full_design charge_full charge_full_design cycle_count; do
            [ -r "$d/$a" ] && read -r line <"$d/$a" && say "$at/$a = $line"
        done
    done
    say 'bench-advisor recording ends'
}

# health: what smartctl says of the disk called $name, when it is installed and this is root.
health() {
    [ -z "$R" ] && [ "$(id -u)" = 0 ] && command -v smartctl >/dev/null || return 0
    case $p in
    */usb* | */virtio* | */virtual/* | */mmc*) return 0 ;;
    */ata[0-9]*) said=$(smartctl -j -A -H -l ssd "/dev/$name") ;;
    *) said=$(smartctl -j -A -H "/dev/$name") ;;
    esac
    # On one line. These options print no serial number; should a version do, its line is left out.
    one=
    while read -r line; do
        case $line in *serial* | *wwn* | *uuid*) ;; *) one="$one $line" ;; esac
    done <<HEALTH
$said
HEALTH
    [ -n "$said" ] && say "/run/advisor/smartctl/$name =$one"
}

if [ "${1:-}" = - ]; then
    record 2>/dev/null
    exit 0
fi
goal=${1:-}
if [ -z "$goal" ]; then
    case $0 in */*) folder=${0%/*} ;; *) folder=. ;; esac
    [ -w "$folder" ] || folder=.
    goal=$folder/unit-$(date +%Y%m%d-%H%M%S 2>/dev/null).txt
fi
if [ -h "$goal" ] || { [ -e "$goal" ] && ! [ -f "$goal" ]; }; then
    say "$goal is a link, a folder or a device. Name a file: sh $0 FILE" >&2
    exit 2
fi
# A folder made anew is this run's own: no link can have been put in the way.
part=$goal.$$
trap 'exit 2' HUP INT TERM
if mkdir -m 700 "$part" 2>/dev/null; then
    trap 'rm -f "$part/unit"; rmdir "$part"' EXIT
else
    part=
fi
if [ -n "$part" ] && record 2>/dev/null >"$part/unit" && mv -f "$part/unit" "$goal"; then
    say "$goal written. Next: advisor capture --from $goal"
else
    say "$goal could not be written. Name a file on a disk with room: sh $0 FILE" >&2
    exit 2
fi
