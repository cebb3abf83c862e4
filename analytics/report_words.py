"""The words of a report, a table a language; a test holds them to the same keys."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Protocol

DEFAULT: Final = "en"


class Trade(Protocol):
    """What else is needed of a language: its name, and kinds and causes in words."""

    @property
    def language(self) -> str:
        """Two letters."""
        ...

    def what(self, kind: str, unit: str) -> str:
        """What is the matter."""
        ...

    def cause(self, cause: str | None) -> str:
        """The cause, or nothing."""
        ...


EN: Final[Mapping[str, str]] = {
    "preliminary": "preliminary: not sent, figures may change",
    "statement": "statement of {when}",
    "correction": "correction {number}, of {when}",
    "custody": "Not custody transfer. Volumes are differences of each meter's own total; tickets and proved meters "
    "come first. Advice from a distance: no figure here says that anything is safe.",
    "skid": "Skid", "treated": "Treated water out", "received": "Water received", "on_spec": "On specification",
    "recovery": "Recovery (treated over received)", "backwash": "Backwash share", "calls_short": "Calls",
    "data": "Data", "to": "to", "of": "of", "minutes": "minutes", "page": "{page} of {pages}",
    "recovery_short": "Recovery", "backwash_short": "Backwash",
    "in_gap": "of it in gaps of the data", "diverted": "of it diverted",
    "off_spec": "of it above the limit by the analyser",
    "resets": "the meter was reset or changed; what passed then is not all known",
    "rollovers": "the meter rolled over",
    "check": "check: flow summed over the {share} of minutes that have one",
    "caught": "Oil caught", "caught_from": "Oil caught (from {minutes} minutes with all readings)",
    "caught_bbl": "as barrels, at {density} kg/m³ (API gravity {api} of the fleet file, 60 °F)",
    "in_service": "Hours in service", "completeness": "Data completeness", "runs_count": "Filter runs",
    "events_count": "Events",
    "calls": "Calls: a person told of a prompt, each once (of prompts judged false)",
    "messages": "messages handed over for them, repeats and copies too",
    "quality": "{name} ({tag}), limit {limit}, basis {basis}", "oil": "Oil", "turbidity": "Turbidity",
    "by_analyser": "On specification, by the analyser",
    "average": "Average of daily means, last 30 days ({days} with data)",
    "highest": "Highest daily mean; highest minute",
    "runs": "Filter runs", "filter": "Filter", "from": "From (UTC)", "hours": "Hours in service",
    "beyond": "reaches beyond the period",
    "events": "Events", "since": "Since (UTC)", "what": "What", "cause": "Cause", "verdict": "Verdict",
    "no_verdict": "none given", "none": "None.", "severity": "Severity",
    "high": "high", "medium": "medium", "low": "low", "done": "done", "false": "false",
    "a_day": "Treated, {unit} a day", "oil_day": "Oil, mean of the day, {unit}", "dashed": "(dashed: limit)",
    "versions": "Fleet version {digests}. Each figure in full stands in the CSV files beside this report.",
    "mail": "{title}, {period}: the report is enclosed as PDF, the figures behind it as CSV. It is {head}.",
    "advice": "Not custody transfer: tickets and proved meters come first.",
    "day": "day", "week": "week", "month": "month",
}  # fmt: skip

ES: Final[Mapping[str, str]] = {
    "preliminary": "provisional: no enviado, las cifras pueden cambiar",
    "statement": "informe emitido el {when}",
    "correction": "corrección {number}, del {when}",
    "custody": "No es transferencia de custodia. Los volúmenes son diferencias del totalizador de cada medidor; valen "
    "primero los tiquetes y los medidores verificados. Consejo a distancia: ninguna cifra dice que algo sea seguro.",
    "skid": "Equipo", "treated": "Agua tratada entregada", "received": "Agua recibida",
    "on_spec": "Dentro de especificación",
    "recovery": "Recuperación (tratada entre recibida)", "backwash": "Parte para retrolavado", "calls_short": "Avisos",
    "data": "Datos", "to": "a", "of": "de", "minutes": "minutos", "page": "{page} de {pages}",
    "recovery_short": "Recuperación", "backwash_short": "Retrolavado",
    "in_gap": "de ella en huecos de los datos", "diverted": "de ella desviada",
    "off_spec": "de ella sobre el límite según el analizador",
    "resets": "el medidor se puso a cero o se cambió; no se sabe todo lo que pasó entonces",
    "rollovers": "el totalizador dio la vuelta",
    "check": "control: caudal sumado sobre el {share} de los minutos que lo tienen",
    "caught": "Aceite retenido", "caught_from": "Aceite retenido (de {minutes} minutos con todas las lecturas)",
    "caught_bbl": "en barriles, a {density} kg/m³ (gravedad API {api} del archivo de la flota, 60 °F)",
    "in_service": "Horas en servicio", "completeness": "Datos completos", "runs_count": "Corridas de filtro",
    "events_count": "Eventos",
    "calls": "Avisos: una persona informada de un aviso, cada una una vez (de avisos juzgados falsos)",
    "messages": "mensajes entregados para ello, también repeticiones y copias",
    "quality": "{name} ({tag}), límite {limit}, base {basis}", "oil": "Aceite", "turbidity": "Turbidez",
    "by_analyser": "Dentro de especificación, según el analizador",
    "average": "Promedio de medias diarias, últimos 30 días ({days} con datos)",
    "highest": "Media diaria más alta; minuto más alto",
    "runs": "Corridas de filtro", "filter": "Filtro", "from": "Desde (UTC)", "hours": "Horas en servicio",
    "beyond": "llega más allá del periodo",
    "events": "Eventos", "since": "Desde (UTC)", "what": "Qué", "cause": "Causa", "verdict": "Juicio",
    "no_verdict": "sin juicio", "none": "Ninguno.", "severity": "Gravedad",
    "high": "alta", "medium": "media", "low": "baja", "done": "hecho", "false": "falso",
    "a_day": "Tratada, {unit} al día", "oil_day": "Aceite, media del día, {unit}", "dashed": "(a trazos: límite)",
    "versions": "Versión de la flota {digests}. Cada cifra completa está en los CSV que acompañan este informe.",
    "mail": "{title}, {period}: va adjunto el informe en PDF, y en CSV las cifras en que se basa. Es {head}.",
    "advice": "No es transferencia de custodia: valen primero los tiquetes y los medidores verificados.",
    "day": "día", "week": "semana", "month": "mes",
}  # fmt: skip

TABLES: Final = {"en": EN, "es": ES}


class ReportWords:
    """``t("quality", name=...)`` gives a text; the language falls back to English."""

    def __init__(self, language: str) -> None:
        self.language = language if language in TABLES else DEFAULT
        self._texts = TABLES[self.language]

    def __call__(self, key: str, **gaps: object) -> str:
        """The text of ``key``; KeyError when there is none."""
        text = self._texts[key]
        return text.format(**gaps) if gaps else text

    def maybe(self, key: str) -> str:
        """The text of ``key``, or the key itself."""
        return self._texts.get(key, key)
