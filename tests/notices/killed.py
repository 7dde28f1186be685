"""Senders that kill themselves at named points, and what their mail server took. Run as a program by the test beside.

``killed.py '{"mails": 60, "kill": {"taken": 0.2}}'`` migrates the database that the environment names, makes mails
(with ``"links": true`` links to addresses), forks senders around the real ``send_due`` and prints one JSON object:
``lost`` (mails that the server never took), ``again`` (how often it took one more than once), ``ids`` (different
Message-IDs for one mail), ``kills`` by point, ``states``. With ``"early": true`` a mail is marked before it is handed
over, which must lose some.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
import uuid
from collections import Counter
from pathlib import Path
from typing import Any, cast

import django

django.setup()

import datetime as dt

from django.conf import settings
from django.core.mail import EmailMessage
from django.core.management import call_command
from django.db import OperationalError, connections
from django.db.models import F
from django.urls import reverse
from django.utils import timezone

from crewprep.crews.models import Role, User
from crewprep.crews.services import add_member, found_crew
from crewprep.notices import sending
from crewprep.notices.addresses import write_address
from crewprep.notices.models import AddressMail, Mail, Notice
from crewprep.notices.packing import pack

SENDERS = 2
LEASE_S = 4.0
QUIET_S = 20.0
TAKEN = Path(settings.VAR_DIR) / "taken-by-the-server"
KILLS = Path(settings.VAR_DIR) / "kills"
chance = random.Random()


def note(path: Path, line: str) -> None:
    """One line, written through."""
    with path.open("a") as file:
        file.write(line + "\n")
        file.flush()
        os.fsync(file.fileno())


def install(options: dict[str, Any]) -> None:
    """Put the points in, and a mail server that keeps a list."""
    module = cast(Any, sending)
    module.LEASE = dt.timedelta(seconds=LEASE_S)
    take, keep, settle = sending.take, sending._keep, sending._settle

    def at(point: str) -> None:
        if chance.random() < options["kill"].get(point, 0):
            note(KILLS, point)
            os.kill(os.getpid(), signal.SIGKILL)

    def taken(**values: Any) -> Any:
        hold = take(**values)
        if hold is not None:
            at("taken")
        return hold

    def kept(hold: Any) -> bool:
        if options.get("early"):
            settle(hold, state="sent", sent_at=timezone.now())
            at("marked early")
            return True
        return keep(hold)

    def serve(message: EmailMessage) -> int:
        at("handing over")
        note(TAKEN, f"{message.message()['Message-ID']} {message.to[0]} {message.body.splitlines()[0]}")
        at("taken by the server")
        return 1

    def settled(hold: Any, **changes: Any) -> bool:
        done = settle(hold, **changes)
        at("marked")
        return done

    module.take, module._keep, module._settle = taken, kept, settled
    cast(Any, EmailMessage).send = serve


def make_mails(count: int) -> None:
    """Notices of one crew, packed."""
    users = [User.objects.create_user(f"member{number}", f"{number}@crew.invalid") for number in range(3)]
    User.objects.update(confirmed_email=F("email"))
    lead = found_crew(name="Crew", slug="crew", lead=users[0])
    for user in users[1:]:
        add_member(crew=lead.crew, user=user, role=Role.RESIDENT, by=None)
    for number in range(count):
        Notice.objects.create(
            crew=lead.crew, recipient=users[number % 3], kind="returned", about=str(number), subject_id=uuid.uuid4(),
            text=f"proposal {number}", path="/", happened_at=timezone.now(), by_mail=True,
        )  # fmt: skip
    assert pack() == count


def make_links(count: int) -> None:
    """Users who have just typed an address."""
    for number in range(count):
        write_address(user=User.objects.create_user(f"typist{number}"), address=f"typist{number}@crew.invalid")


def be_a_sender() -> None:
    """Send until killed."""
    while True:
        try:
            sending.send_due()
        except OperationalError:
            connections.close_all()
        time.sleep(0.02)


def supervise(model: type[Mail] | type[AddressMail]) -> None:
    """Keep the senders going until nothing waits, or nothing has moved for a while."""
    running: set[int] = set()
    still_since, before = time.monotonic(), None
    try:
        while True:
            while len(running) < SENDERS:
                pid = os.fork()
                if pid == 0:
                    chance.seed(os.getpid())
                    be_a_sender()
                running.add(pid)
            time.sleep(0.05)
            while running and (gone := os.waitpid(-1, os.WNOHANG)[0]):
                running.discard(gone)
            now = dict(Counter(model.objects.values_list("state", "attempt")))
            connections.close_all()
            if now != before:
                still_since, before = time.monotonic(), now
            if not {"waiting", "sending"} & {state for state, _ in now} or time.monotonic() - still_since > QUIET_S:
                return
    finally:
        for pid in running:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)


def main() -> None:
    """Run and report."""
    options: dict[str, Any] = {"mails": 40, "kill": {}, **json.loads(sys.argv[1])}
    call_command("migrate", verbosity=0)
    model = AddressMail if options.get("links") else Mail
    (make_links if options.get("links") else make_mails)(options["mails"])
    install(options)
    reverse("home")  # loads the URL map once, and not in each sender
    connections.close_all()
    supervise(model)
    taken = [line.split(" ", 1) for line in TAKEN.read_text().splitlines()]
    times = Counter(subject for _, subject in taken)
    report = {
        "lost": options["mails"] - len(times),
        "again": sum(times.values()) - len(times),
        "ids": sum(len({one for one, of in taken if of == subject}) > 1 for subject in times),
        "kills": dict(Counter(KILLS.read_text().splitlines())) if KILLS.exists() else {},
        "states": dict(Counter(model.objects.values_list("state", flat=True))),
    }
    print(json.dumps(report))


if __name__ == "__main__":
    main()
