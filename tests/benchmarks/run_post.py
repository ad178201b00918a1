"""What it costs to record a run, beside a bare Django view that inserts the same row. From the project's top folder, in its
environment:

    python -m tests.benchmarks.run_post

Makes a database of its own (SQLite; PostgreSQL where DATABASE_URL names one). The bare view is what Django's own guide would
write: signed in, a ModelForm over the same fields, saved, on to the next page, behind the middleware of a new project. Ours books
the portion out of its lot, keeps the weighing, writes and seals two lines of the journal and knows the entry when it comes again.
Both are posted in turns of twenty. Ends with 1 when ours takes more than twice the bare one.
"""

import statistics
import sys
import time
import types
import uuid

from tests.benchmarks.lineage import own_database

MOST_TIMES_BARE = 2.0
ROUNDS, ROUND = 10, 20
ENTRY = {
    "portion": "454 g",
    "gold": "4.2",
    "scale_step": "0.1 mg",
    "panned_on": "2026-05-04",
    "water": "spring",
    "pan": "black, 14 inch",
}
BARE_ENTRY = {
    "portion_mass_g": "454",
    "portion_typed": "454 g",
    "gold_mg": "4.2",
    "gold_typed": "4.2 mg",
    "scale_step_mg": "0.1",
    "panned_on": "2026-05-04",
    "water": "spring",
    "pan": "black, 14 inch",
}
PLAIN_MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
]


def bare_urls(steps: list) -> types.ModuleType:
    """The addresses of a site with the bare view alone; each of its rows takes one of the steps made beforehand."""
    from django.contrib.auth.decorators import login_required
    from django.forms import modelform_factory
    from django.shortcuts import redirect, render
    from django.urls import path

    from trials.models import Run

    form_class = modelform_factory(
        Run, fields=["lot", "panner", "below_scale", "failed", "light", "note", *BARE_ENTRY]
    )

    @login_required
    def insert(request):
        form = form_class(request.POST, instance=Run(step=steps.pop(), recorded_by=request.user))
        if not form.is_valid():
            return render(request, "400.html", {"form": form})
        form.save()
        return redirect("/")

    urls = types.ModuleType("bare_urls")
    urls.urlpatterns = [path("runs/add/", insert)]
    return urls


def main() -> int:
    with own_database():
        from django.db import connection
        from django.test import Client
        from django.test.utils import override_settings

        from prospecting.models import Step
        from tests.make import DAY, make_lot, make_member

        member, lot = make_member(mass_unit="kg"), make_lot("400000000")
        steps = Step.objects.bulk_create(
            [Step(kind="recover", done_on=DAY, recorded_by=member) for _ in range(ROUNDS * (ROUND + 1))]
        )
        urls = bare_urls(list(steps))
        took: dict[str, list[float]] = {"bare": [], "ours": []}

        def round_of(name: str, client: Client, address: str, entry: dict) -> None:
            client.force_login(member)
            for go in range(ROUND + 1):
                sent = entry | {"identity": str(uuid.uuid4()), "panner": member.pk}
                start = time.perf_counter()
                answer = client.post(address, sent)
                # The first after a change of settings finds nothing ready.
                if go:
                    took[name].append(time.perf_counter() - start)
                assert answer.status_code == 302, answer.content[:500]

        for _ in range(ROUNDS):
            with override_settings(ROOT_URLCONF=urls, MIDDLEWARE=PLAIN_MIDDLEWARE):
                round_of("bare", Client(), "/runs/add/", BARE_ENTRY | {"lot": lot.pk})
            round_of("ours", Client(), f"/lots/{lot.code}/pan/", ENTRY | {"keep_as_typed": "on"})
        middle = {name: statistics.median(times) for name, times in took.items()}
        times_bare = middle["ours"] / middle["bare"]
        print(
            f"{connection.vendor}: bare insert "
            f"{middle['bare'] * 1000:.1f} ms, a run {middle['ours'] * 1000:.1f} ms, {times_bare:.2f} times "
            f"(at most {MOST_TIMES_BARE:g})"
        )
        return 0 if times_bare <= MOST_TIMES_BARE else 1


if __name__ == "__main__":
    sys.exit(main())
