# One image for every service; docker-compose.yml says which command each runs.
# Only what the COPY lines name is needed, so a .venv or data folder beside this file never gets in.

FROM python:3.11-slim AS build
WORKDIR /src
RUN pip install --no-cache-dir build
COPY pyproject.toml README.md LICENSE ./
COPY skidhand skidhand
COPY ingest ingest
COPY analytics analytics
COPY alerts alerts
COPY board board
COPY simulator simulator
RUN python -m build --wheel --outdir /dist

FROM python:3.11-slim
# The number is fixed so that the owner of a volume stays the same over image builds. A new named volume
# takes its owner from the image's folder of that path, so those of docker-compose.yml are made here.
RUN useradd --system --uid 10001 --create-home skidhand \
    && install -d -o skidhand -g skidhand /data /data/lake /data/spool
COPY --from=build /dist /dist
RUN pip install --no-cache-dir "$(echo /dist/*.whl)[influx,postgres]" && rm -r /dist
USER skidhand
WORKDIR /data
ENTRYPOINT ["skidhand"]
CMD ["--help"]
