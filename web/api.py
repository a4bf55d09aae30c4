"""The JSON API, version 1. Reading needs no token; writing does, and so do the raw packets that floats post."""

from __future__ import annotations

from datetime import UTC, datetime
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.concurrency import run_in_threadpool
from pydantic import ValidationError

from collector.capture import capture_line
from collector.packet import Packet, Source
from collector.senml_pack import Record, resolve_pack
from gylewatch.values import BatchId
from web import graph as graphs
from web import records, security, shapes
from web.asked import questions
from web.bodies import JSON_TYPE, SENML_TYPES, media_type, read_body, read_json
from web.context import Context
from web.problems import DESCRIBED, Problem, unclear
from web.sample_form import parse_sample
from web.typed import Question

_MAX_ROWS = 20_000
_ROWS = 2_000
# Some megabytes an answer: a client that asks for months of readings must not take the memory that the watch needs.
Limit = Annotated[
    int | None,
    Query(ge=1, le=_MAX_ROWS, description="no more rows than this, the newest; 2,000 if not given. Page with `until`"),
]
Thin = Annotated[int | None, Query(ge=8, le=_MAX_ROWS, description="no more rows than this, keeping the extremes")]
Since = Annotated[datetime | None, Query(description="ISO 8601; from this time on, inclusive")]
Until = Annotated[datetime | None, Query(description="ISO 8601; before this time")]


def _aware(name: str, time: datetime | None) -> datetime | None:
    if time is not None and time.tzinfo is None:
        raise _unclear_time(name, "has no time zone; write UTC as 2026-03-02T18:30:00Z")
    try:
        return time if time is None else time.astimezone(UTC)
    except OverflowError:
        raise _unclear_time(name, "lies outside the years 1 to 9999 in UTC; write the time that you mean") from None


def _unclear_time(name: str, sentence: str) -> Problem:
    return unclear((Question(field=f"query.{name}", sentence=sentence),))


def float_of_pack(payload: bytes, received: datetime) -> str:
    """The float that the base name of a SenML pack names: its last part, as in ``urn:dev:ops:heron/``.

    Raises
    ------
    Problem
        422: the pack names no float, or several.
    """
    names = set()
    for record in resolve_pack(payload, received):
        if isinstance(record, Record):
            # Where the record has its own name, what stands before it names the float.
            base = record.name.removesuffix(record.own_name).rstrip("/:")
            names.add(base.replace("/", ":").rsplit(":", 1)[-1])
    if len(names) != 1 or names == {""}:
        reason = "names several floats; send one pack for each" if len(names) > 1 else "names no float"
        raise Problem(HTTPStatus.UNPROCESSABLE_ENTITY, f"the pack {reason}; or add ?float=NAME to the address")
    return names.pop()


def router(context: Context) -> APIRouter:
    """The routes under ``/api/v1``."""
    api = APIRouter(prefix="/api/v1", responses={"default": DESCRIBED})
    _add_batches(api, context)
    _add_samples(api, context)
    _add_service(api, context)
    _add_ingest(api, context)
    return api


def _add_batches(api: APIRouter, context: Context) -> None:
    store = context.store

    @api.get("/batches", tags=["batches"])
    def list_batches(*, active: bool = False) -> list[shapes.BatchShape]:
        """Every batch, or with ``active=true`` only those that have not ended."""
        return [shapes.batch_shape(record) for record in store.batches(active_only=active)]

    @api.get("/batches/{batch_id}", tags=["batches"])
    def one_batch(batch_id: str) -> shapes.BatchShape:
        return shapes.batch_shape(store.batch(BatchId(batch_id)))

    @api.get("/batches/{batch_id}/estimates", tags=["batches"])
    def list_estimates(
        batch_id: str, since: Since = None, until: Until = None, limit: Limit = None, thin: Thin = None
    ) -> list[shapes.EstimateShape]:
        """What was believed, in order of time; intervals are central 80 % intervals."""
        record = store.batch(BatchId(batch_id))
        since, until = _aware("since", since), _aware("until", until)
        if thin and limit is None:
            rows = store.course(record.batch_id, at_most=thin, since=since, until=until).estimates
        else:
            rows = store.estimates(record.batch_id, since=since, until=until, limit=limit or _ROWS)
        return [shapes.estimate_shape(row) for row in (graphs.thin(rows, thin) if thin else rows)]

    @api.get("/batches/{batch_id}/readings", tags=["batches"])
    def list_readings(
        batch_id: str, since: Since = None, until: Until = None, limit: Limit = None
    ) -> list[shapes.ReadingShape]:
        """The accepted readings of the batch's float from pitching to the end of the batch, in order of time."""
        record = store.batch(BatchId(batch_id))
        since, until = _aware("since", since) or record.batch.pitched, _aware("until", until) or record.ended
        rows = store.readings(record.batch.float_id, since=since, until=until, limit=limit or _ROWS)
        return [shapes.ReadingShape.model_validate(row) for row in rows]

    @api.get("/batches/{batch_id}/temperatures", tags=["batches"])
    def list_probe_readings(
        batch_id: str, since: Since = None, until: Until = None, limit: Limit = None
    ) -> list[shapes.ProbeReadingShape]:
        """What the vessel's own probe measured from pitching to the end of the batch, in order of time."""
        record = store.batch(BatchId(batch_id))
        since, until = _aware("since", since) or record.batch.pitched, _aware("until", until) or record.ended
        rows = store.probe_readings(record.batch.vessel, since=since, until=until, limit=limit or _ROWS)
        return [shapes.ProbeReadingShape.model_validate(row) for row in rows]

    @api.get("/batches/{batch_id}/alerts", tags=["batches"])
    def list_alerts(batch_id: str, limit: Limit = None) -> list[shapes.AlertShape]:
        """Alerts raised and ended."""
        record = store.batch(BatchId(batch_id))
        return [shapes.alert_shape(alert) for alert in store.alerts(record.batch_id, limit=limit or _ROWS)]

    @api.get("/batches/{batch_id}/graph", tags=["batches"])
    def graph(batch_id: str) -> shapes.GraphShape:
        """What the chart of the batch's page draws."""
        record = store.batch(BatchId(batch_id))
        return shapes.graph_shape(records.batch_graph(store, record))


def _add_samples(api: APIRouter, context: Context) -> None:
    store = context.store

    @api.get("/batches/{batch_id}/samples", tags=["samples"])
    def list_samples(batch_id: str) -> list[shapes.SampleShape]:
        """Hand measurements as read, before any correction."""
        record = store.batch(BatchId(batch_id))
        return [shapes.sample_shape(number, sample) for number, sample in store.samples(record.batch_id)]

    body = {"content": {JSON_TYPE: {"schema": shapes.NewSample.model_json_schema()}}, "required": True}

    @api.post("/batches/{batch_id}/samples", tags=["samples"], status_code=201, openapi_extra={"requestBody": body})
    async def add_sample(batch_id: str, request: Request) -> shapes.SampleShape:
        """Keep one hand measurement; needs the bearer token."""
        # Not left to the library, which would read the body before it looks at the token.
        security.require_token(context.settings, request)
        new = _new_sample(await read_json(request))
        return await run_in_threadpool(keep, batch_id, new)

    def keep(batch_id: str, new: shapes.NewSample) -> shapes.SampleShape:
        fields = {
            "instrument": new.instrument,
            "value": str(new.value),
            "unit": new.unit,
            "sample_temperature": str(new.sample_temperature_c),
            "time": new.time,
        }
        record = store.batch(BatchId(batch_id))
        parsed = parse_sample(fields, record.batch, now=context.clock(), fahrenheit=False)
        if isinstance(parsed, tuple):
            raise unclear([_named_as_sent(question) for question in parsed], _sentences(parsed))
        return shapes.sample_shape(store.add_sample(record.batch_id, parsed), parsed)


def _sentences(questions: tuple[Question, ...]) -> str:
    return " ".join(question.sentence for question in questions)


def _named_as_sent(question: Question) -> Question:
    name = "sample_temperature_c" if question.field == "sample_temperature" else question.field
    return Question(field=name, sentence=question.sentence)


def _new_sample(document: object) -> shapes.NewSample:
    try:
        return shapes.NewSample.model_validate(document)
    except ValidationError as error:
        raise unclear(questions(error.errors(), inside="body")) from None


def _add_service(api: APIRouter, context: Context) -> None:
    store = context.store

    @api.get("/floats", tags=["service"])
    def list_floats() -> list[shapes.FloatShape]:
        """The floats that are listened to, each with its newest reading."""
        latest = store.latest_readings()
        return [shapes.float_shape(item, latest.get(item.float_id)) for item in store.floats()]

    @api.get("/rejected", tags=["service"])
    def list_rejected(limit: Annotated[int, Query(ge=1, le=1000)] = 100) -> shapes.RejectedShape:
        """What was refused: counts by reason, and the newest packets with the reason of each."""
        newest = tuple(shapes.refusal_shape(item) for item in store.rejected(limit))
        return shapes.RejectedShape(counts=store.rejected_counts(), newest=newest)

    @api.get("/health", tags=["service"])
    def health() -> shapes.HealthShape:
        now = context.health()
        return shapes.HealthShape(
            started=now.started,
            brokers=now.brokers,
            readings_accepted=now.readings_accepted,
            readings_duplicate=now.readings_duplicate,
            readings_refused=now.readings_refused,
            queue_depth=now.queue_depth,
            outbox=dict(now.outbox),
            problems=now.problems,
        )


def _add_ingest(api: APIRouter, context: Context) -> None:
    body = {"content": {media: {"schema": {}} for media in sorted(SENML_TYPES)}, "required": True}

    @api.post("/readings", tags=["readings"], openapi_extra={"requestBody": body})
    async def post_readings(
        request: Request, float_name: Annotated[str | None, Query(alias="float", max_length=63)] = None
    ) -> shapes.IngestShape:
        """Take one SenML pack (RFC 8428) of one float; needs the bearer token.

        The float is named by ``?float=``, or by the last part of the pack's base name.
        """
        security.require_token(context.settings, request)
        if media_type(request) not in SENML_TYPES:
            offered = ", ".join(sorted(SENML_TYPES))
            raise Problem(
                HTTPStatus.UNSUPPORTED_MEDIA_TYPE, f"the body must be SenML; name its type, one of: {offered}"
            )
        payload = await read_body(request)
        return await run_in_threadpool(_ingest, context, payload, float_name)

    @api.get("/readings/posted", tags=["readings"])
    def list_posted(
        request: Request,
        float_name: Annotated[str, Query(alias="float", max_length=63)],
        after: Annotated[
            int | None, Query(ge=0, description="the `after` of the last answer; else only that is told")
        ] = None,
    ) -> shapes.PostedShape:
        """The packets that one float posted lately, as lines of a capture without secrets; needs the bearer token."""
        security.require_token(context.settings, request)
        count, packets = context.posted.since(after, float_name)
        return shapes.PostedShape(after=count, packets=tuple(capture_line(packet) for packet in packets))


def _ingest(context: Context, payload: bytes, float_name: str | None) -> shapes.IngestShape:
    if context.ingest is None:
        raise Problem(HTTPStatus.SERVICE_UNAVAILABLE, "this service does not take readings over HTTP")
    received = context.clock()
    name = float_name or float_of_pack(payload, received)
    packet = Packet(source=Source.HTTP, origin=name, payload=payload, received=received)
    context.posted.add(packet)
    result = context.ingest(packet)
    shape = shapes.IngestShape(
        accepted=result.accepted,
        duplicate=result.duplicate,
        refused=tuple(shapes.refusal_shape(refused) for refused in result.refused),
    )
    if result.refused and not result.accepted and not result.duplicate:
        detail = f"nothing was accepted: {result.refused[0].detail}"
        raise Problem(HTTPStatus.UNPROCESSABLE_ENTITY, detail, members=shape.model_dump(mode="json", by_alias=True))
    return shape
