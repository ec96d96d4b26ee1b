"""The kinds of rows that a shop lists, each with its form and its words, so that one set of pages does for all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from shop.forms import listed
from shop.models import Finish, Machine, Media, Person, Process, Role, Skill
from shop.services.rows import Listed


@dataclass(frozen=True)
class Things:
    """One kind of row."""

    key: str  # in its addresses
    model: type[Listed]
    form: type[listed.ListedForm]
    describe: listed.Describe
    one: str
    many: str
    about: str
    empty: str
    links: tuple[str, ...] = ()  # read with the rows
    writer: Role = Role.OWNER

    @property
    def retirable(self) -> bool:
        """Whether rows can be out of use and come back."""
        return any(field.name == "active" for field in self.model._meta.concrete_fields)

    def rows(self, shop: Any) -> Any:
        """The shop's rows of this kind."""
        return self.model.objects.of(shop).prefetch_related(*self.links)


THINGS = {
    things.key: things
    for things in (
        Things(
            "people", Person, listed.PersonForm, listed.say_person, "person", "People",
            "Who works here and what they can do. A promise knows that nobody is in two places.",
            "Nobody is entered yet, so no date can be promised. Add yourself first.",
            ("skills", "user"),
        ),
        Things(
            "skills", Skill, listed.SkillForm, listed.say_skill, "skill", "Skills",
            "What people can do. Each kind of stage may need one.",
            "No skills yet: any person is planned for any stage.",
            ("people",),
        ),
        Things(
            "machines", Machine, listed.MachineForm, listed.say_machine, "machine", "Machines",
            "Printers, cutters, laminators and benches. One stage occupies one of them at a time.",
            "No machines yet. Add what you print, cut and weed on.",
            ("processes",),
        ),
        Things(
            "processes", Process, listed.ProcessForm, listed.say_process, "process", "Processes",
            "How ink gets on, and how long a print must lie before it is laminated or cut.",
            "No processes yet. Add the way you print, or cutting alone.",
            ("finishes",),
        ),
        Things(
            "finishes", Finish, listed.FinishForm, listed.say_finish, "finish", "Finishes",
            "What is done to a print.",
            "No finishes yet. Add at least the bare print.",
        ),
        Things(
            "films", Media, listed.MediaForm, listed.say_media, "film", "Films",
            "What you print and cut, by its width on the roll. Items wider than any film are noticed at once.",
            "No films yet. Add the ones you use most.",
            writer=Role.PLANNER,
        ),
    )
}  # fmt: skip


class ThingsConverter:
    """In addresses: the key of one kind of row."""

    regex = "|".join(THINGS)

    def to_python(self, value: str) -> Things:
        """The kind."""
        return THINGS[value]

    def to_url(self, value: Things | str) -> str:
        """Its key."""
        return value if isinstance(value, str) else value.key
