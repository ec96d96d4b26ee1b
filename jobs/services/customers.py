"""Customers."""

from django.db import transaction

from jobs.models import Customer
from shop.errors import BadInput


@transaction.atomic
def customer_update(customer: Customer, *, name: str, contact: str = "") -> Customer:
    """Change a customer's name and contact. Raises BadInput where another customer has that name."""
    name = " ".join(name.split())
    if not 0 < len(name) <= 120:
        raise BadInput("Give the customer a name of at most 120 characters.", field="name")
    others = Customer.objects.of(customer.shop).filter(name__iexact=name).exclude(pk=customer.pk)
    if others.exists():
        raise BadInput(f"There already is a customer called {name}. Choose another name.", field="name")
    customer.name, customer.contact = name, contact.strip()
    customer.save(update_fields=["name", "contact"])
    return customer
