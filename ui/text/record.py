"""Sentences. Files: the car file, sessions, the shelf."""

from ui.text.findings import Sentence

SENTENCES: dict[str, Sentence] = {
    "car-key-unknown": "{key} is not known and is left out",
    "session-removed": "{path} was removed while it is recorded; nothing is lost, all of it goes on in {new}",
    "session-moved": "{path} was moved while it is recorded; it goes on in {new}",
    "shelf-stopped": "stopped: {unread} sessions were not read",
    "folder-not-readable": "{folder}: cannot be looked into ({reason}); check its permissions",
    "shelf-index-unusable": "{path}: the shelf's index cannot be used ({reason}); every session was read anew",
}
