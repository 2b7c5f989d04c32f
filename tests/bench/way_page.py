"""What the page of a dream piece costs a learner of ten years: 50,000 rows of evidence.

    python tests/bench/way_page.py [--rows 50000]

The sample learner's own pages, over the real database, with evidence of a seeded random kind added to every skill. Each page is
asked for three times; the least of the times is told, with the number of queries, beside the same page before any was added.
"""

import argparse
import os
import random
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

YEARS = 10


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=50_000, help="rows of evidence")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        os.environ["KEYSLIP_DATA"] = folder
        os.environ["DJANGO_SETTINGS_MODULE"] = "keyslip.settings"
        import django

        django.setup()
        measure(rows=options.rows)


def measure(*, rows: int) -> None:
    from django.conf import settings
    from django.core.management import call_command
    from django.urls import reverse
    from django.utils import timezone

    from curriculum.models import Evidence, Piece
    from keyslip.sample.story import load_sample

    settings.ALLOWED_HOSTS = ["*"]
    settings.STORAGES["staticfiles"] = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
    call_command("migrate", verbosity=0)
    learner = load_sample(today=timezone.localdate(), tell=lambda _line: None)
    dream = Piece.objects.get(learner=learner, is_dream=True)
    pages = {
        "dream piece": reverse("curriculum:piece", args=[dream.pk]),
        "the way": reverse("curriculum:way"),
        "skills": reverse("curriculum:skill-list"),
    }
    before = {name: cost(learner, url) for name, url in pages.items()}
    skills = list(learner.skills.all())
    today, rng = timezone.localdate(), random.Random(11)
    Evidence.objects.bulk_create(
        (
            Evidence(
                learner=learner,
                skill=rng.choice(skills),
                played_on=today - timedelta(days=rng.randrange(YEARS * 365)),
                source=rng.choice([Evidence.Source.TRY, Evidence.Source.REVIEW]),
                passed=rng.random() < 0.7,
                is_first_try=rng.random() < 0.5,
            )
            for _ in range(rows)
        ),
        batch_size=2000,
    )
    print(f"{Evidence.objects.filter(learner=learner).count()} rows of evidence, {len(skills)} skills")
    print(f"{'page':14}{'queries':>9}{'s':>8}{'queries before':>16}{'s before':>10}")
    for name, url in pages.items():
        queries, seconds = cost(learner, url)
        print(f"{name:14}{queries:9}{seconds:8.2f}{before[name][0]:16}{before[name][1]:10.2f}")


def cost(learner: object, url: str) -> tuple[int, float]:
    """Queries and the least seconds of three requests for one page."""
    from django.db import connection
    from django.test import Client
    from django.test.utils import CaptureQueriesContext

    client = Client()
    client.force_login(learner)  # type: ignore[arg-type]
    least_s = float("inf")
    for _ in range(3):
        with CaptureQueriesContext(connection) as queries:
            began_s = time.perf_counter()
            response = client.get(url)
            least_s = min(least_s, time.perf_counter() - began_s)
        assert response.status_code == 200, (url, response.status_code)
    return len(queries), least_s


if __name__ == "__main__":
    main()
