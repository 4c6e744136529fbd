FROM python:3.11.13-slim AS build
WORKDIR /build
COPY deploy/requirements.lock .
RUN python -m venv /opt/evenleaf \
    && /opt/evenleaf/bin/pip install --no-cache-dir --require-hashes -r requirements.lock
COPY pyproject.toml README.md ./
COPY service service
COPY ingest ingest
COPY seed_demo seed_demo
RUN /opt/evenleaf/bin/pip install --no-cache-dir --no-deps --no-build-isolation . \
    && /opt/evenleaf/bin/python -OO -m compileall -q /opt/evenleaf/lib

FROM python:3.11.13-slim
RUN useradd --system --uid 10001 --create-home --home-dir /var/lib/evenleaf evenleaf
COPY --from=build /opt/evenleaf /opt/evenleaf
ENV PATH=/opt/evenleaf/bin:$PATH PYTHONUNBUFFERED=1
USER evenleaf
WORKDIR /var/lib/evenleaf
EXPOSE 8717
ENTRYPOINT ["evenleaf"]
CMD ["serve"]
