# Two images from one file: `app` (web, workers, beat, migrate, backup) and `proxy` (static files, TLS).

FROM python:3.11-slim-bookworm AS app
ENV PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1 PIP_NO_CACHE_DIR=1 PIP_DISABLE_PIP_VERSION_CHECK=1
WORKDIR /srv/broodtide
RUN useradd --system --uid 10001 --no-create-home broodtide \
    && install --directory --owner 10001 --mode 700 /backups \
    && apt-get update && apt-get install --yes --no-install-recommends postgresql-client-15 && rm -rf /var/lib/apt/lists/*
COPY requirements/run.txt requirements/run.txt
RUN pip install --require-hashes -r requirements/run.txt
COPY . .
RUN python -m compileall -q accounts breeding scheduling viz config \
    && BROODTIDE_DATA_DIR=/tmp/build python manage.py words --compile \
    && BROODTIDE_DATA_DIR=/tmp/build python manage.py collectstatic --no-input --verbosity 0 \
    && rm -rf /tmp/build
USER 10001:10001
EXPOSE 8000

FROM caddy:2.8-alpine AS proxy
RUN adduser -D -u 10002 proxy && chown -R 10002:10002 /data /config
COPY deploy/Caddyfile /etc/caddy/Caddyfile
COPY --from=app /srv/broodtide/static_built /srv/static
USER 10002:10002
EXPOSE 80 443
