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
    "correction": "correction {number}, of {when}; it replaces what was stated before",
    "so_far": "The period is not over: figures up to {when}.",
    "days_of": "The sites' own days, {first} to {last}", "day_of": "The site's own day, {first}",
    "custody": "Not custody transfer. Volumes are differences of each meter's own total; tickets and proved meters "
    "come first. Advice from a distance: no figure here says that anything is safe.",
    "skid": "Skid", "treated": "Treated water out", "received": "Water received", "on_spec": "On specification",
    "recovery": "Recovery (treated over received)", "backwash": "Backwash share", "calls_short": "Calls",
    "data": "Data", "to": "to", "of": "{share} of {count}",
    "recovery_short": "Recovery", "backwash_short": "Backwash",
    "total": "All together", "total_of": "from {parts} of {of} with a meter's total",
    "no_total": "no meter with a total", "in_barrels": "the same in barrels of 42 gallons",
    "in_gap": "of it in gaps of the data", "diverted": "of it diverted",
    "off_spec": "of it above the limit by the analyser", "unjudged": "of it not judged: no reading of the analyser",
    "resets": "the meter was reset or changed; what passed then is not all known",
    "rollovers": "the meter rolled over",
    "check": "check: flow summed over the {share} of minutes that have one",
    "caught_from": "Oil caught (from {minutes} minutes with all readings)",
    "caught_bbl": "as barrels, at {density} kg/m³ (API gravity {api} of the fleet file, 60 °F)",
    "in_service": "Hours in service", "completeness": "Data completeness",
    "events_count": "Events", "events_false": "Events (judged false)",
    "calls": "Calls (of them judged false)",
    "messages": "messages sent for them, repeats and copies too",
    "quality": "{name} ({tag}), limit {limit}, {basis}", "oil": "Oil", "turbidity": "Turbidity",
    "basis_grab": "for grab samples", "basis_h": "for the mean over {n} h", "basis_d": "for the mean over {n} d",
    "by_analyser": "On specification, by the analyser: minutes",
    "by_basis": "On specification, by the analyser: means over {basis}",
    "average": "Average of daily means, last 30 days ({days} with data)",
    "highest_day": "Highest daily mean", "highest": "Highest minute",
    "runs": "Filter runs", "filter": "Filter", "from": "From", "hours": "Hours in service",
    "run_line": "Runs of {unit} from wash to wash, whole in the period",
    "run_hours": "hours in service: median (least to most)", "sent": "Sent",
    "beyond": "reaches beyond the period",
    "events": "Events", "since": "Since", "what": "What", "cause": "Cause", "verdict": "Verdict", "count": "Count",
    "no_verdict": "none given", "none": "None.", "severity": "Severity",
    "high": "high", "medium": "medium", "low": "low", "done": "done", "false": "false",
    "a_day": "Treated, {unit} a day", "oil_day": "Oil, mean of the day, {unit}", "dashed": "(dashed: limit)",
    "changed": "What the correction changes", "figure": "Figure (as in figures.csv)", "before": "Before",
    "after": "Now", "unit": "Unit", "more": "and {count} more, see the CSV files",
    "changed_too": "Changed too, see the CSV files: {parts}.",
    "versions": "Fleet version {digests}.",
    "in_full": "Each figure in full stands in the CSV files beside this report.",
    "mail": "{title}, {period}: the report is enclosed as PDF, the figures behind it as CSV. It is {head}.",
    "advice": "Not custody transfer: tickets and proved meters come first.",
    "day": "day", "week": "week", "month": "month",
    "how": "How the figures come about",
    "how_volume": "Volume: from the meter's last reading before the period to its last one in it. In gaps: between two "
    "readings more than 15 minutes apart; the volume is right, when it passed is not known. A line that is missing is "
    "one that no instrument tells of.",
    "how_spec": "On specification: minutes in service whose reading is usable and at or below the limit. Daily means "
    "need an hour of readings. Not judged is neither on nor off specification.",
    "how_recovery": "Recovery and backwash share: treated, and wash water, over received (over treated, where what is "
    "received has no meter).",
    "how_oil": "Oil caught: flow times the difference of the first and the last oil analyser, minute by minute.",
    "how_calls": "A call is a person to whom a message about a prompt was sent, counted once a prompt. A verdict is "
    "what people answered.",
    "how_data": "Data completeness: of the minutes of all instruments that report all the time, those with a usable "
    "value. Times are the site's own.",
}  # fmt: skip

ES: Final[Mapping[str, str]] = {
    "preliminary": "provisional: no enviado, las cifras pueden cambiar",
    "statement": "informe emitido el {when}",
    "correction": "corrección {number}, del {when}; reemplaza lo informado antes",
    "so_far": "El periodo no ha terminado: cifras hasta {when}.",
    "days_of": "Días propios de cada sitio, {first} a {last}", "day_of": "Día propio del sitio, {first}",
    "custody": "No es transferencia de custodia. Los volúmenes son diferencias del totalizador de cada medidor; valen "
    "primero los tiquetes y los medidores verificados. Consejo a distancia: ninguna cifra dice que algo sea seguro.",
    "skid": "Equipo", "treated": "Agua tratada entregada", "received": "Agua recibida",
    "on_spec": "Dentro de especificación",
    "recovery": "Recuperación (tratada entre recibida)", "backwash": "Parte para retrolavado", "calls_short": "Avisos",
    "data": "Datos", "to": "a", "of": "{share} de {count}",
    "recovery_short": "Recuperación", "backwash_short": "Retrolavado",
    "total": "Todo junto", "total_of": "de {parts} de {of} con totalizador",
    "no_total": "sin medidor con totalizador", "in_barrels": "lo mismo en barriles de 42 galones",
    "in_gap": "de ella en huecos de los datos", "diverted": "de ella desviada",
    "off_spec": "de ella sobre el límite según el analizador",
    "unjudged": "de ella sin juzgar: el analizador no dio lectura",
    "resets": "el medidor se puso a cero o se cambió; no se sabe todo lo que pasó entonces",
    "rollovers": "el totalizador dio la vuelta",
    "check": "control: caudal sumado sobre el {share} de los minutos que lo tienen",
    "caught_from": "Aceite retenido (de {minutes} minutos con todas las lecturas)",
    "caught_bbl": "en barriles, a {density} kg/m³ (gravedad API {api} del archivo de la flota, 60 °F)",
    "in_service": "Horas en servicio", "completeness": "Datos completos",
    "events_count": "Eventos", "events_false": "Eventos (juzgados falsos)",
    "calls": "Avisos (de ellos juzgados falsos)",
    "messages": "mensajes enviados para ello, también repeticiones y copias",
    "quality": "{name} ({tag}), límite {limit}, {basis}", "oil": "Aceite", "turbidity": "Turbidez",
    "basis_grab": "para muestras puntuales", "basis_h": "para la media de {n} h", "basis_d": "para la media de {n} d",
    "by_analyser": "Dentro de especificación, según el analizador: minutos",
    "by_basis": "Dentro de especificación, según el analizador: medias de {basis}",
    "average": "Promedio de medias diarias, últimos 30 días ({days} con datos)",
    "highest_day": "Media diaria más alta", "highest": "Minuto más alto",
    "runs": "Corridas de filtro", "filter": "Filtro", "from": "Desde", "hours": "Horas en servicio",
    "run_line": "Corridas de {unit} de lavado a lavado, enteras en el periodo",
    "run_hours": "horas en servicio: mediana (menor a mayor)", "sent": "Enviado",
    "beyond": "llega más allá del periodo",
    "events": "Eventos", "since": "Desde", "what": "Qué", "cause": "Causa", "verdict": "Juicio", "count": "Número",
    "no_verdict": "sin juicio", "none": "Ninguno.", "severity": "Gravedad",
    "high": "alta", "medium": "media", "low": "baja", "done": "hecho", "false": "falso",
    "a_day": "Tratada, {unit} al día", "oil_day": "Aceite, media del día, {unit}", "dashed": "(a trazos: límite)",
    "changed": "Qué cambia la corrección", "figure": "Cifra (como en figures.csv)", "before": "Antes",
    "after": "Ahora", "unit": "Unidad", "more": "y {count} más, véanse los CSV",
    "changed_too": "También cambian, véanse los CSV: {parts}.",
    "versions": "Versión de la flota {digests}.",
    "in_full": "Cada cifra completa está en los CSV que acompañan este informe.",
    "mail": "{title}, {period}: va adjunto el informe en PDF, y en CSV las cifras en que se basa. Es {head}.",
    "advice": "No es transferencia de custodia: valen primero los tiquetes y los medidores verificados.",
    "day": "día", "week": "semana", "month": "mes",
    "how": "Cómo se obtienen las cifras",
    "how_volume": "Volumen: desde la última lectura del totalizador antes del periodo hasta la última dentro de él. En "
    "huecos: entre dos lecturas separadas más de 15 minutos; el volumen es correcto, no se sabe cuándo pasó. La línea "
    "que falta es una de la que ningún instrumento informa.",
    "how_spec": "Dentro de especificación: minutos en servicio con lectura utilizable, no mayor que el límite. Una "
    "media diaria necesita una hora de lecturas. Lo no juzgado no está ni dentro ni fuera de especificación.",
    "how_recovery": "Recuperación y parte para retrolavado: agua tratada, y agua de lavado, entre la recibida (entre "
    "la tratada, si la recibida no tiene medidor).",
    "how_oil": "Aceite retenido: caudal por la diferencia entre el primer y el último analizador de aceite, minuto a "
    "minuto.",
    "how_calls": "Un aviso es una persona a la que se envió un mensaje sobre un asunto, contada una vez por asunto. El "
    "juicio es lo que la gente respondió.",
    "how_data": "Datos completos: de los minutos de todos los instrumentos que informan siempre, los que tienen un "
    "valor utilizable. Las horas son las del sitio.",
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
