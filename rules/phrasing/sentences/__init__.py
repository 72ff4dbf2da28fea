"""The sentences of reasons, one function a code: `general` (told words, safety), `isolation` (may a unit be taken out)."""
