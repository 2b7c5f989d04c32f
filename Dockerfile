# One image for web server, worker and sweeper; docker-compose.yml says what each runs.
FROM python:3.11-slim

ENV PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1 KEYSLIP_DATA=/data DJANGO_SETTINGS_MODULE=keyslip.settings
WORKDIR /app

# Before the code, so that a change of ours does not install everything again.
COPY requirements.lock ./
RUN pip install --no-cache-dir --require-hashes -r requirements.lock

# The recorded piano; without a network the image is built all the same, and a plain tone plays.
COPY requirements-npm.lock ./
COPY keyslip/piano.py keyslip/
RUN python keyslip/piano.py .venv/piano

COPY manage.py LICENSE NOTICE ./
COPY keyslip keyslip
COPY curriculum curriculum
COPY lessons lessons
COPY reviews reviews
COPY templates templates
COPY static static

RUN useradd --system --uid 10001 keyslip && install -d -o keyslip -m 700 /data
USER keyslip
VOLUME /data
EXPOSE 8000
