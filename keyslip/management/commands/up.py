"""Runs everything: queue server, web server, worker, sweeper."""

import argparse
import http.client
import io
import os
import socket
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import segno
from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import DatabaseError, connection

from keyslip.authority import Authority
from keyslip.data import private_folder
from keyslip.first_account import first_account_path
from keyslip.lan import lan_addresses, lan_name
from keyslip.supervisor import (
    Ports,
    Program,
    Supervisor,
    SupervisorError,
    queue_program,
    sweeper_program,
    web_program,
    worker_program,
)

LOOPBACK, EVERYWHERE = "127.0.0.1", "0.0.0.0"  # noqa: S104  (only with --lan, which asks for just this)
# Seconds that one question to the web server may take before it counts as not ready.
ASK_S = 1.0


class Command(BaseCommand):
    help = "Run Keyslip: web server, worker, sweeper and queue. Ctrl-C stops everything."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.add_argument("--lan", action="store_true", help="also for phones in the house, with https beside http")
        parser.add_argument(
            "--port", type=int, default=settings.KEYSLIP_HTTP_PORT, help="of plain http (default: 8000)"
        )
        parser.add_argument(
            "--https-port", type=int, default=settings.KEYSLIP_HTTPS_PORT, help="with --lan (default: 8443)"
        )

    def handle(self, *args: Any, lan: bool, port: int, https_port: int, **options: Any) -> None:
        os.umask(0o077)  # whatever any program of ours writes is its owner's alone
        self.lan, self.ports = lan, Ports(http=port, https=https_port)
        self.data: Path = settings.KEYSLIP_DATA
        self._check_data_folder()
        self._check_ports()
        self.addresses = self._addresses()
        if lan and not self.addresses:
            raise CommandError(
                "No address in the house was found. Is this computer on the network? Without LAN=1 it runs alone."
            )
        self._prepare()
        supervisor = Supervisor(
            programs=self._programs(),
            folder=self.data / "run",
            say=self._say,
            is_ready=self._is_ready,
            on_ready=self._greet,
            every_minute=self._moved,
            working_folder=settings.BASE_DIR,
        )
        try:
            supervisor.run()
        except SupervisorError as error:
            raise CommandError(str(error)) from error
        self._say("Stopped.")

    def _say(self, text: str) -> None:
        self.stdout.write(text)
        self.stdout.flush()

    # Before anything runs.

    def _check_data_folder(self) -> None:
        if not os.access(self.data, os.W_OK | os.X_OK):
            raise CommandError(f"The data folder {self.data} cannot be written to. Set KEYSLIP_DATA to one that can.")

    def _check_ports(self) -> None:
        host = EVERYWHERE if self.lan else LOOPBACK
        for port in [self.ports.http, *([self.ports.https] if self.lan else [])]:
            if not 0 < port < 65536:
                raise CommandError(f"{port} is not a port. Write a number from 1 to 65535.")
            with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                try:
                    probe.bind((host, port))
                except PermissionError as error:
                    raise CommandError(f"Port {port} is reserved by this computer. Choose one above 1023.") from error
                except OSError as error:
                    raise CommandError(
                        f"Port {port} is in use by another program, or Keyslip is running already. "
                        f"Stop that one, or choose another port: make run PORT={port + 1}"
                    ) from error

    def _prepare(self) -> None:
        try:
            call_command("migrate", interactive=False, verbosity=0)
            self.begin_path = first_account_path(self.data)
        except DatabaseError as error:
            name = connection.settings_dict["NAME"]
            raise CommandError(f"The database {name} cannot be used: {error}") from error
        finally:
            connection.close()
        call_command("collectstatic", interactive=False, verbosity=0, clear=True)

    # What runs.

    def _addresses(self) -> tuple[str, ...]:
        if not self.lan:
            return ()
        return tuple(settings.KEYSLIP_LAN_ADDRESSES) or lan_addresses()

    def _programs(self) -> list[Program]:
        programs = []
        broker = settings.KEYSLIP_BROKER
        if broker.server and broker.socket:
            programs.append(
                queue_program(broker.server, socket=broker.socket, folder=private_folder(self.data / "queue"))
            )
        environment = self._environment()
        programs += self._web_programs()
        programs.append(worker_program(environment=environment))
        programs.append(sweeper_program(settings.BASE_DIR / "manage.py", environment=environment))
        return programs

    def _web_programs(self) -> list[Program]:
        host, environment = EVERYWHERE if self.lan else LOOPBACK, self._environment()
        programs = [web_program(host=host, ports=self.ports, environment=environment)]
        if self.lan:
            files = Authority(self.data / "authority").server_files([*self.addresses, *filter(None, [lan_name()])])
            programs.append(
                web_program(
                    host=host, ports=self.ports, certificate=files.certificate, key=files.key, environment=environment
                )
            )
        return programs

    def _environment(self) -> dict[str, str]:
        return {
            "DJANGO_SETTINGS_MODULE": "keyslip.settings",
            "KEYSLIP_DATA": str(self.data),
            "KEYSLIP_LAN": "1" if self.lan else "0",
            "KEYSLIP_LAN_ADDRESSES": ",".join(self.addresses),
            "KEYSLIP_HTTP_PORT": str(self.ports.http),
            "KEYSLIP_HTTPS_PORT": str(self.ports.https),
        }

    def _is_ready(self) -> bool:
        ask = http.client.HTTPConnection(LOOPBACK, self.ports.http, timeout=ASK_S)
        try:
            ask.request("GET", "/healthz")
            return ask.getresponse().status == http.HTTPStatus.OK
        except (OSError, http.client.HTTPException):
            return False
        finally:
            ask.close()

    def _moved(self) -> Sequence[Program]:
        """Notice that the house gave this computer another address, or that the certificate nears its end."""
        if not self.lan:
            return ()
        addresses = self._addresses()
        hosts = [*addresses, *filter(None, [lan_name()])]
        if not addresses or (
            addresses == self.addresses and not Authority(self.data / "authority").server_files(hosts).renewed
        ):
            return ()
        self.addresses = addresses
        self._say_lan()
        return self._web_programs()

    # What is said.

    def _greet(self) -> None:
        base = f"http://{LOOPBACK}:{self.ports.http}"
        self._say(f"Keyslip is ready: {base}/")
        if self.begin_path:
            self._say(
                f"Nobody has an account yet. This link makes the first one, and works once:\n  {base}{self.begin_path}"
            )
        if self.lan:
            self._say_lan()
        self._say("Ctrl-C stops everything.")

    def _say_lan(self) -> None:
        host = self.addresses[0]
        page = f"http://{host}:{self.ports.http}/phone/"
        self._say(
            f"On a phone in the house: {page}\nClosed to others in the network, once the phone trusts it: https://{host}:{self.ports.https}/"
        )
        drawing = io.StringIO()
        segno.make(page, micro=False).terminal(drawing, compact=True)
        if (getattr(sys.stdout, "encoding", None) or "").lower().startswith("utf"):
            self._say(drawing.getvalue())
