"""Machines and films."""

from django.core.validators import MinValueValidator
from django.db import models

from shop.models.base import ShopOwned
from shop.models.processes import Process


class MachineKind(models.TextChoices):
    """What a machine does."""

    PRINTER = "printer", "Printer"
    CUTTER = "cutter", "Cutter"
    PRINT_AND_CUT = "print_and_cut", "Print-and-cut"
    LAMINATOR = "laminator", "Laminator"
    BENCH = "bench", "Bench"

    @property
    def does(self) -> frozenset[str]:
        """The kinds of machine that this one can stand in for."""
        if self is MachineKind.PRINT_AND_CUT:
            return frozenset({"print_and_cut", "printer", "cutter"})
        return frozenset({self.value})


class Unattended(models.TextChoices):
    """When a machine may run with nobody beside it."""

    NO = "no", "Never: somebody stays with it"
    OPEN_HOURS = "open_hours", "While the shop is open"
    ALWAYS = "always", "Also when the shop is closed"


class Machine(ShopOwned):
    """A thing that `capacity` stages can occupy at a time."""

    name = models.CharField(max_length=80)
    kind = models.CharField(max_length=16, choices=MachineKind)
    capacity = models.PositiveSmallIntegerField(default=1, validators=[MinValueValidator(1)])
    unattended = models.CharField(max_length=12, choices=Unattended, default=Unattended.NO)
    processes = models.ManyToManyField(Process, blank=True, related_name="machines")
    max_width_mm = models.PositiveIntegerField(null=True, blank=True)
    loaded_media = models.ForeignKey(
        "Media",
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="+",
        help_text="The film that is on it now.",
    )
    cool_down_min = models.PositiveSmallIntegerField(
        default=0, help_text="Minutes that it cools after a print before it may cut; 0: none."
    )
    active = models.BooleanField(default=True)

    class Meta:
        ordering = ["name"]
        constraints = [models.UniqueConstraint("shop", "name", name="machine_once_per_shop")]

    def __str__(self) -> str:
        return self.name


class Media(ShopOwned):
    """A film, as it is bought: one width on a roll of one length."""

    name = models.CharField(max_length=80)
    width_mm = models.PositiveIntegerField(validators=[MinValueValidator(1)])
    roll_length_m = models.FloatField(default=50.0, validators=[MinValueValidator(0.1)])
    price_per_m2 = models.DecimalField(max_digits=8, decimal_places=2, default=0)
    active = models.BooleanField(default=True)

    class Meta:
        ordering = ["name"]
        verbose_name_plural = "media"
        constraints = [models.UniqueConstraint("shop", "name", name="media_once_per_shop")]

    def __str__(self) -> str:
        return f"{self.name}, {self.width_mm} mm"
