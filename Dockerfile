# One image for the web server, the worker, the scheduler and the migrations; docker-compose.yml says which is which.
FROM python:3.13-slim

ENV PYTHONUNBUFFERED=1 PYTHONPATH=/app NUMBA_CACHE_DIR=/app/.compiled DATA_DIR=/app/.data STATIC_ROOT=/app/staticfiles \
    PATH=/venv/bin:$PATH
WORKDIR /app

COPY requirements/base.txt requirements/uv.txt requirements/
RUN python -m venv /venv \
    && pip install --no-cache-dir --require-hashes -r requirements/uv.txt \
    && uv pip install --no-cache --compile-bytecode --python /venv/bin/python --require-hashes -r requirements/base.txt \
    && useradd --system --create-home --uid 10001 lapwright

COPY manage.py ./
COPY shop shop
COPY jobs jobs
COPY analytics analytics
COPY fixtures fixtures

# Static files and the compiled simulation are part of the image; the secret and the addresses here are for this step alone.
RUN mkdir -p .compiled .data/media \
    && export SECRET_KEY=only-for-this-step ALLOWED_HOSTS=localhost \
        DATABASE_URL=postgresql://unused@localhost/unused REDIS_URL=redis://localhost \
    && python manage.py collectstatic --noinput --verbosity 0 \
    && python manage.py warm_up \
    && chown -R lapwright .compiled .data
USER lapwright

EXPOSE 8000
HEALTHCHECK --interval=15s --timeout=5s --start-period=30s \
    CMD ["python", "-c", "from urllib.request import urlopen; urlopen('http://127.0.0.1:8000/healthz', timeout=4)"]
# Without a trusted proxy waitress drops X-Forwarded-Proto, and every page would be sent to https again and again.
CMD ["waitress-serve", "--host=0.0.0.0", "--port=8000", "--threads=8", "--trusted-proxy=*", \
     "--trusted-proxy-headers=x-forwarded-for x-forwarded-proto", "shop.wsgi:application"]
