"""How a name that somebody typed was read, said to that person."""

from __future__ import annotations

import re

from coatclass.breeds._lookup import find, says_cross, says_nothing
from coatclass.breeds._names import name_of
from coatclass.words import catalogue


def how_read(text: str, language: str = "en") -> str:
    """How a breed's name was read, or that it was not; empty if it was read as it was written."""
    say = catalogue(language, "terminal").say

    def name(breed: str | None) -> str:
        return name_of(breed, language) if breed else say("breed.unknown")

    match = find(text)
    if not match.known and says_cross(text):
        return say("breed.cross_of_unknown", name=text)
    if says_nothing(text):
        return ""
    if not match.known:
        likest = ", ".join(name(breed) for breed, _ in match.candidates[:3])
        ask = f" {say('breed.did_you_mean', breeds=likest)}" if likest else ""
        return say("breed.not_known", name=text) + ask
    parents = " x ".join(name(parent) for parent in match.parents)
    read = name(match.id) if match.id else parents
    if match.id and parents:
        read = f"{read} ({parents})"
    generation = re.search(r"\bf[123]b{0,2}\b", text.casefold())
    if generation is None:
        return "" if text.strip().casefold() == read.casefold() else say("breed.read_as", name=text, breed=read)
    return say("breed.generation", name=text, breed=read, generation=generation[0].upper())
