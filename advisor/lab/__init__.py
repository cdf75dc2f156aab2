"""The laboratory: where the figures come from.

- Real installs and desktop sessions on a paced disk under limits: `rehearsal`, `sessions`, `campaign`, `design`.
- What they stand on: `workplace`, `trees`, `depot`, `groups`, `disk`, `watch`.
- `tables` builds driver tables and the catalogue of editions from Debian's own packages.
- `image` reads the compressed file system of a live medium.

Nothing that a user's command needs imports it. Most of it needs root and Debian; see `advisor rehearse --help`.
"""
