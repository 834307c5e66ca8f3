FROM python:3.13-slim
ENV PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1 PATH=/srv/venv/bin:$PATH
WORKDIR /srv/zonewright
COPY requirements/run.txt requirements/run.txt
RUN python -m venv /srv/venv && pip install --no-cache-dir -qr requirements/run.txt
COPY . .
# The static files are the same for every installation: gather them once, with keys of no value.
RUN useradd --system zonewright && mkdir -p /srv/data && chown zonewright /srv/data
USER zonewright
ENV ZONEWRIGHT_DATA=/srv/data ZONEWRIGHT_THREADS=8
RUN DATABASE_URL=postgresql://none/none REDIS_URL=redis://none/0 ZONEWRIGHT_SECRET_KEY=none \
    ZONEWRIGHT_FIELD_KEYS=none python manage.py collectstatic --noinput
EXPOSE 8000
CMD ["granian", "--interface=wsgi", "--host=0.0.0.0", "--port=8000", "--workers=2", "--blocking-threads=8", "config.wsgi:application"]
