"""The questions of the voice agent in each language: NAME stands for the vessel or line.

In the syntax of the hub's conversation triggers: [] may be left out, (|) is one of several.
What a person says of a name in between (an article, "in the") belongs to the language.
"""

from typing import Final

ENGLISH: Final = "en"

ARTICLES: Final = {
    "en": frozenset({"the", "my", "our"}),
    "de": frozenset({"der", "die", "das", "den", "dem", "mein", "meine", "unser", "unsere"}),
    "es": frozenset({"el", "la", "los", "las", "mi", "nuestro", "nuestra"}),
    "fr": frozenset({"le", "la", "les", "l", "mon", "ma", "notre"}),
    "nl": frozenset({"de", "het", "mijn", "ons", "onze"}),
}
"""Words before a name that are not part of it."""

_DE: Final = "[der|die|das|mein|meine|unser|unsere] NAME"
_DE_IN: Final = "(im|in der|in dem|in meinem|in meiner|in unserem|in unserer|in) NAME"
_ES: Final = "[el|la|los|las|mi|nuestro|nuestra] NAME"
# An article that runs into the name by an apostrophe has no space behind it.
_FR: Final = "[le |la |les |l'|mon |ma |notre ]NAME"
_NL: Final = "[de|het|mijn|ons|onze] NAME"

ASKED: Final[dict[str, dict[str, tuple[str, ...]]]] = {
    "en": {
        "time_left": (
            "how long (will|does|do) [the] NAME last",
            "how long until [the] NAME (is|runs) empty",
            "when (is|does|will) [the] NAME [be|run] empty",
        ),
        "amount": (
            "how much water (is|is left|is there|do we have|have we got) in [the] NAME",
            "how much is [left] in [the] NAME",
            "how full is [the] NAME",
            "how many (litres|liters|gallons) are [left] in [the] NAME",
        ),
        "lockout": ("(is|why is) [the] NAME locked out",),
    },
    "de": {
        "time_left": (
            f"wie lange (reicht|hält) [noch] {_DE} [noch]",
            f"wie lange (reicht|hält) [noch] das Wasser {_DE_IN} [noch]",
            f"wann (ist|wird) {_DE} leer",
        ),
        "amount": (
            f"(wie viel|wieviel) Wasser (ist|haben wir) [noch] {_DE_IN}",
            f"(wie viel|wie viele|wieviel|wieviele) (Liter|Gallonen) sind [noch] {_DE_IN}",
            f"wie voll ist {_DE}",
        ),
        "lockout": (f"[warum|wieso|weshalb] ist {_DE} (verriegelt|gesperrt)",),
    },
    "es": {
        "time_left": (
            f"(cuánto|cuanto) [tiempo] (dura|durará|va a durar) [el agua de] {_ES}",
            f"(cuándo|cuando) (está|estará|queda|quedará) (vacío|vacía) {_ES}",
            f"(cuándo|cuando) (está|estará|queda|quedará) {_ES} (vacío|vacía)",
            f"(cuándo|cuando) se (vacía|vaciará) {_ES}",
        ),
        "amount": (
            f"(cuánta|cuanta) agua (hay|queda|tenemos) en {_ES}",
            f"(cuántos|cuantos) (litros|galones) (hay|quedan) en {_ES}",
            f"(cómo de|como de|qué tan|que tan) (lleno|llena) está {_ES}",
        ),
        "lockout": (
            f"[por qué|por que] está {_ES} (en bloqueo|bloqueado|bloqueada)",
            f"[por qué|por que] está (en bloqueo|bloqueado|bloqueada) {_ES}",
        ),
    },
    "fr": {
        "time_left": (
            f"combien de temps (dure|durera|tient|tiendra|va durer|va tenir) {_FR}",
            f"combien de temps {_FR} (va-t-il|va-t-elle) (durer|tenir)",
            f"combien de temps {_FR} (tiendra-t-il|tiendra-t-elle|durera-t-il|durera-t-elle)",
            f"(quand|dans combien de temps) {_FR} (est-il|sera-t-il|est-elle|sera-t-elle) vide",
            f"(quand|dans combien de temps) {_FR} (est|sera) vide",
        ),
        "amount": (
            f"combien d'eau (y a-t-il|il y a|reste-t-il|il reste|avons-nous) dans {_FR}",
            f"combien de (litres|gallons) (y a-t-il|il y a|reste-t-il|il reste) dans {_FR}",
            f"à quel point {_FR} (est-il|est-elle|est) (rempli|remplie|plein|pleine)",
        ),
        "lockout": (
            f"[pourquoi] {_FR} (est-il|est-elle) (verrouillé|verrouillée)",
            f"(est-ce que|pourquoi est-ce que) {_FR} est (verrouillé|verrouillée)",
        ),
    },
    "nl": {
        "time_left": (
            f"(hoe lang|hoelang) gaat {_NL} [nog] mee",
            f"(hoe lang|hoelang) gaat het water in {_NL} [nog] mee",
            f"wanneer (is|raakt) {_NL} leeg",
        ),
        "amount": (
            f"hoeveel water (zit|is|hebben we) [er] [nog] in {_NL}",
            f"hoeveel (liter|gallon) (zit|zitten|is) [er] [nog] in {_NL}",
            f"hoe vol (is|zit) {_NL}",
        ),
        "lockout": (f"[waarom] is {_NL} vergrendeld",),
    },
}


def base_language(language: str) -> str:
    """Return a language without its country: de of de-AT."""
    return language.replace("_", "-").partition("-")[0].lower()


def languages_heard(hub: str) -> list[str]:
    """Return in which languages questions are heard: the hub's, where there are any, and English.

    Each vessel adds about ten sentences for each, which every question is compared with.
    """
    own = base_language(hub)
    return [ENGLISH] if own == ENGLISH or own not in ASKED else [own, ENGLISH]
