"""The rehearsal rig: real installs onto a paced disk and a limited processor, timed phase by phase.

- `trees` builds an edition with debootstrap and apt, resolves its package sets and packs it.
- `paced_disk` is the disk, `depot` the link, `limits` the processor and memory.
- `rehearsal` makes one, `campaign` many, `design` chooses which.
- `image` reads the compressed file system of a live medium.
- `workplace` says what the rig may touch, and clears up after a kill.

Needs root and Debian; see `advisor rehearse --help`.
"""
