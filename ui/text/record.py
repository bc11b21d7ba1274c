"""Sentences. Files: the car file, sessions, the shelf."""

from ui.text.findings import Sentence

SENTENCES: dict[str, Sentence] = {
    "car-key-unknown": "{key} is not known and is left out",
    "shelf-stopped": "stopped: {unread} sessions were not read",
    "folder-not-readable": "{folder}: cannot be looked into ({reason}); check its permissions",
    "shelf-index-unusable": "{path}: the shelf's index cannot be used ({reason}); every session was read anew",
}
