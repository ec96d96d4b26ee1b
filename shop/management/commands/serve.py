"""Start the whole program: database, web server and worker."""

import signal
from argparse import ArgumentParser
from types import FrameType
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from shop.environment import a_number, a_switch, a_text
from shop.launch import CannotStart, Worker, bind, claim_folder, greeting, prepare
from shop.web import certificate, serve_plain, serve_secure


def _leave(number: int, frame: FrameType | None) -> None:
    # The web server answers the requests in hand and returns.
    raise SystemExit(0)


class Command(BaseCommand):
    help = "Prepare the database, then serve the pages and work in the background until Ctrl-C."
    requires_system_checks = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--host", default=a_text("HOST", "127.0.0.1"), help="default: HOST, or 127.0.0.1")
        parser.add_argument("--port", type=int, default=None, help="default: PORT, or 8000")
        parser.add_argument("--no-demo", action="store_true", help="start without the demo shop, as DEMO=0")

    def handle(self, *_: Any, **options: Any) -> None:
        # SIGINT too: a shell's background job begins with it ignored.
        for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), _leave)
        try:
            self._serve(options)
        except CannotStart as error:
            raise CommandError(str(error)) from error

    def _serve(self, options: dict[str, Any]) -> None:
        host = options["host"]
        port = options["port"] if options["port"] is not None else int(a_number("PORT", 8000))
        if not 0 < port < 65536:
            raise CannotStart(f"PORT={port} is no port: choose one from 1 to 65535, as PORT=8000.")
        demo = a_switch("DEMO", True) and not options["no_demo"]
        secure = certificate(settings.TLS_CERT, settings.TLS_KEY)
        with claim_folder(settings.DATA_DIR), bind(host, port) as listener:
            prepare(self._say, demo=demo)
            from shop.wsgi import application

            worker = Worker(self._say)
            try:
                self._say(greeting(host, port))
                if secure:
                    serve_secure(listener, application, secure)
                else:
                    serve_plain(listener, application)
            finally:
                worker.stop()
            self._say("Stopped.")

    def _say(self, text: str) -> None:
        self.stdout.write(text)
        self.stdout.flush()
