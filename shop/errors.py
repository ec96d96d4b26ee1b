"""What the shop refuses, in words for the person who asked."""


class ShopError(Exception):
    """A request that cannot be carried out. The message says what is wrong and what to do."""

    status = 409
    title = "That cannot be done"

    def __init__(self, message: str, *, field: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.field = field  # the input at fault, where one is


class CrossShop(ShopError):
    """A row of one shop was to point at a row of another."""

    status = 404
    title = "Not found"


class BadInput(ShopError):
    """An input that makes no sense; `field` names it."""

    status = 400
    title = "Please check what you entered"
