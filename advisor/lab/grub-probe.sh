#!/bin/sh
# Stands in for grub-probe while a tree is rehearsed: the real one follows the loop device out of the tree and fails.
# Answers as for the first partition of a first disk.
for word in "$@"; do
    case "$word" in
        --target=*) target="${word#--target=}" ;;
        -t?*) target="${word#-t}" ;;
    esac
    [ "$before" = "-t" ] || [ "$before" = "--target" ] && target="$word"
    before="$word"
done
case "$target" in
    device) echo /dev/sda1 ;;
    disk) echo /dev/sda ;;
    fs) echo ext2 ;;
    fs_uuid) echo 5a1b2c3d-0000-4000-8000-000000000001 ;;
    partuuid) echo 5a1b2c3d-01 ;;
    fs_label | abstraction | cryptodisk_uuid) ;;
    drive | compatibility_hint) echo hd0,msdos1 ;;
    partmap | msdos_parttype) echo msdos ;;
    hints_string) echo --hint-bios=hd0,msdos1 ;;
    *) ;;
esac
