"""How ink gets on, and what is done after."""

from django.db import models

from shop.models.base import ShopOwned


class ProcessKind(models.TextChoices):
    """The ways of getting ink on."""

    SOLVENT = "solvent", "Solvent"
    LATEX = "latex", "Latex"
    UV = "uv", "UV"
    CUT_ONLY = "cut_only", "Cut only"


class InkBuild(models.TextChoices):
    """What is printed on an item, from the film up."""

    NONE = "none", "No ink"
    COLOUR = "colour", "Colour"
    WHITE_COLOUR = "white_colour", "White under colour"
    COLOUR_GLOSS = "colour_gloss", "Colour with gloss over"
    WHITE_COLOUR_GLOSS = "white_colour_gloss", "White, colour and gloss"

    @property
    def layers(self) -> int:
        """How many times the heads go over it for different layers."""
        return {"none": 0, "colour": 1, "white_colour": 2, "colour_gloss": 2, "white_colour_gloss": 3}[
            self.value
        ]


class Finish(ShopOwned):
    """What is done to the print: left bare, laminated matt, laminated gloss …"""

    name = models.CharField(max_length=60)
    laminates = models.BooleanField(default=False)
    price_per_m2 = models.DecimalField(max_digits=8, decimal_places=2, default=0)

    class Meta:
        ordering = ["name"]
        verbose_name_plural = "finishes"
        constraints = [models.UniqueConstraint("shop", "name", name="finish_once_per_shop")]

    def __str__(self) -> str:
        return self.name


class Process(ShopOwned):
    """One way of getting ink on, as this shop has it."""

    name = models.CharField(max_length=60)
    kind = models.CharField(max_length=10, choices=ProcessKind)
    hold_min = models.PositiveIntegerField(
        default=0, help_text="Minutes that a print must lie before it is cut or laminated."
    )
    finishes = models.ManyToManyField(Finish, blank=True, related_name="processes")
    unsuited_to = models.CharField(max_length=200, blank=True, help_text="Work it is not suited to.")
    ink_ml_per_m2 = models.FloatField(default=0, help_text="Ink per layer, ml/m².")
    ink_price_per_litre = models.DecimalField(max_digits=8, decimal_places=2, default=0)
    active = models.BooleanField(default=True)

    class Meta:
        ordering = ["name"]
        verbose_name_plural = "processes"
        constraints = [models.UniqueConstraint("shop", "name", name="process_once_per_shop")]

    def __str__(self) -> str:
        return self.name

    @property
    def prints(self) -> bool:
        """Whether ink is put on at all."""
        return self.kind != ProcessKind.CUT_ONLY
