"""What other packages may listen for."""

from django.dispatch import Signal

# Sent inside the transaction that makes a shop; `shop` is the new one.
shop_created = Signal()
