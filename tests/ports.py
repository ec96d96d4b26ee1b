"""Ports for programs that tests begin."""

import random
import socket

# Below those that systems give to outgoing connections: one of these is not taken by somebody's connection between its
# being found free and its being used, or while the program that listens there is killed and begun again.
PORTS = range(18_000, 32_000)


def free_port() -> int:
    """A port of 127.0.0.1 at which nothing listens."""
    dice = random.SystemRandom()
    while True:
        port = dice.choice(PORTS)
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) != 0:
                return port
