"""`lineset calc`: one derived value from typed readings, with its inputs, units, uncertainty and caution."""

from __future__ import annotations

import json
from typing import Annotated

import typer

_GAUGE = 'such as "118 psig" or "118 +/- 1.5 psig"; "132.7 psia" is absolute'
_TEMPERATURE = 'such as "52 degF" or "11.1 degC"'


def _complete(incomplete: str) -> list[str]:
    from lineset.cli.calc_answer import names

    return [name for name in names() if name.startswith(incomplete)]


def _complete_refrigerant(incomplete: str) -> list[str]:
    from lineset.physics.refrigerant import REFRIGERANTS

    return [name for name in REFRIGERANTS if name.lower().startswith(incomplete.lower())]


def calc(
    name: Annotated[
        str | None,
        typer.Argument(
            help="What to compute: superheat, subcooling, split, bubble, dew, wet-bulb, enthalpy, airflow, capacity, "
            "eer, capacitance, power-factor, target-superheat, target-split, target-subcooling and more, or a full "
            "name from --list.",
            autocompletion=_complete,
        ),
    ] = None,
    refrigerant: Annotated[
        str, typer.Option(help="Refrigerant, such as R-454B or 410a.", autocompletion=_complete_refrigerant)
    ] = "",
    vapor_pressure: Annotated[str | None, typer.Option(help=f"Vapor service port pressure, {_GAUGE}.")] = None,
    vapor_temperature: Annotated[str | None, typer.Option(help=f"Vapor line temperature, {_TEMPERATURE}.")] = None,
    liquid_pressure: Annotated[str | None, typer.Option(help="Liquid service port pressure.")] = None,
    liquid_temperature: Annotated[str | None, typer.Option(help="Liquid line temperature.")] = None,
    suction_pressure: Annotated[str | None, typer.Option(help="Common suction pressure.")] = None,
    discharge_pressure: Annotated[str | None, typer.Option(help="Discharge pressure.")] = None,
    discharge_temperature: Annotated[str | None, typer.Option(help="Discharge line temperature.")] = None,
    pressure: Annotated[str | None, typer.Option(help="A pressure at any port: bubble, dew, glide.")] = None,
    outdoor_air: Annotated[
        str | None, typer.Option("--outdoor-air", "--outdoor-temperature", help="Outdoor air temperature.")
    ] = None,
    leaving_air: Annotated[str | None, typer.Option(help="Temperature of the air leaving the outdoor coil.")] = None,
    return_air: Annotated[
        str | None, typer.Option("--return-air", "--return-temperature", help="Return air temperature.")
    ] = None,
    return_humidity: Annotated[str | None, typer.Option(help='Return air humidity, such as "48 %RH".')] = None,
    return_wet_bulb: Annotated[str | None, typer.Option(help="Return air wet bulb, read off a wick.")] = None,
    supply_air: Annotated[
        str | None, typer.Option("--supply-air", "--supply-temperature", help="Supply air temperature.")
    ] = None,
    supply_humidity: Annotated[str | None, typer.Option(help="Supply air humidity.")] = None,
    supply_wet_bulb: Annotated[str | None, typer.Option(help="Supply air wet bulb, read off a wick.")] = None,
    air: Annotated[str | None, typer.Option(help="Temperature of any air: wet-bulb, dew-point, enthalpy.")] = None,
    humidity: Annotated[str | None, typer.Option(help="Relative humidity of that air.")] = None,
    wet_bulb: Annotated[str | None, typer.Option(help="Wet bulb of that air.")] = None,
    return_static: Annotated[
        str | None, typer.Option(help='Return plenum against the room, negative: "-0.24 inWC".')
    ] = None,
    supply_static: Annotated[str | None, typer.Option(help="Supply plenum against the room.")] = None,
    velocity: Annotated[str | None, typer.Option(help='Mean velocity in the supply duct, such as "600 fpm".')] = None,
    airflow: Annotated[str | None, typer.Option(help='Airflow over the indoor coil, such as "1180 cfm".')] = None,
    current: Annotated[
        str | None,
        typer.Option(help='Current, such as "5.6 A"; for a capacitance that of the capacitor\'s own lead.'),
    ] = None,
    voltage: Annotated[
        str | None,
        typer.Option(help='Voltage, such as "370 V"; for a capacitance across the capacitor\'s own terminals.'),
    ] = None,
    capacitance: Annotated[str | None, typer.Option(help="A capacitor's capacitance on the bench.")] = None,
    power: Annotated[str | None, typer.Option(help='Power of the outdoor unit, such as "2450 W".')] = None,
    compressor_power: Annotated[str | None, typer.Option(help="Power of the compressor alone.")] = None,
    blower_power: Annotated[str | None, typer.Option(help="Power of the blower.")] = None,
    contactor_drop: Annotated[str | None, typer.Option(help="Voltage across one closed contactor pole.")] = None,
    start_voltage: Annotated[str | None, typer.Option(help="Lowest line voltage while the compressor starts.")] = None,
    voltage_ab: Annotated[str | None, typer.Option(help="Three-phase unit: line voltage A to B.")] = None,
    voltage_bc: Annotated[str | None, typer.Option(help="Three-phase unit: line voltage B to C.")] = None,
    voltage_ca: Annotated[str | None, typer.Option(help="Three-phase unit: line voltage C to A.")] = None,
    superheat: Annotated[
        str | None, typer.Option(help='Total superheat to hold against its target, such as "12 degF".')
    ] = None,
    subcooling: Annotated[str | None, typer.Option(help="Subcooling to hold against its target.")] = None,
    split: Annotated[str | None, typer.Option(help="Temperature split to hold against its target.")] = None,
    nameplate_subcooling: Annotated[
        str | None, typer.Option(help='Subcooling on the unit\'s nameplate, such as "10 degF".')
    ] = None,
    role: Annotated[
        str, typer.Option(help="Whose published tolerance: service, verifier or verifier_later.")
    ] = "service",
    rated_current: Annotated[str | None, typer.Option(help='RLA or FLA, such as "14.1 A".')] = None,
    capacitor_rating: Annotated[str | None, typer.Option(help='Microfarads marked, such as "45 uF".')] = None,
    strip_power: Annotated[str | None, typer.Option(help='Rated power of the strips, such as "5 kW, 5 kW".')] = None,
    strip_voltage: Annotated[
        str | None, typer.Option(help='Rated voltage of the strips; "240 V" if not given.')
    ] = None,
    duct_area: Annotated[str | None, typer.Option(help='Free area of the supply duct, such as "2.0 ft2".')] = None,
    blower_table: Annotated[
        str | None, typer.Option(help='Maker\'s rows: "0.3 inWC 1240 cfm, 0.5 inWC 1180 cfm".')
    ] = None,
    compressor_map: Annotated[
        str | None,
        typer.Option(help="Ten AHRI 540 coefficients, of W, A, or lb/h (kg/h where the map takes degC)."),
    ] = None,
    map_temperature: Annotated[
        str | None, typer.Option(help="What the map's coefficients take: degF (if not given) or degC.")
    ] = None,
    map_superheat: Annotated[
        str | None, typer.Option(help='Suction superheat that the map is rated at; "20 degF" if not given.')
    ] = None,
    frequency: Annotated[str | None, typer.Option(help='Line frequency; "60 Hz" when not given.')] = None,
    altitude: Annotated[
        str | None, typer.Option(help='Altitude of the site, such as "5000 ft"; sea level when not given.')
    ] = None,
    barometer: Annotated[
        str | None, typer.Option(help='Barometric pressure at the site, such as "24.9 inHg"; instead of --altitude.')
    ] = None,
    units: Annotated[str, typer.Option(help="Units shown first: customary or si.")] = "customary",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, in SI units.")] = False,
    list_all: Annotated[bool, typer.Option("--list", help="Name everything that can be computed, and how.")] = False,
) -> None:
    """Compute one value from readings: superheat, subcooling, split, capacitance under load ...

    "+/-" behind a value is its 95 % half width, and gives the answer one.

    Example: lineset calc superheat --refrigerant R-454B --vapor-pressure "118 psig" --vapor-temperature "52 degF"

    Exit code: 0 when computed, 2 when the question cannot be answered.
    """
    asked = dict(locals())
    # Late, so that `lineset --help` stays quick.
    from lineset.cli import calc_answer, calc_options, calc_ratings, calc_targets, calc_words

    if list_all:
        if as_json:
            typer.echo(json.dumps([*calc_words.list_data(), *calc_targets.list_data()], indent=2))
        else:
            typer.echo(f"{calc_words.list_text()}\n\n{calc_targets.list_text()}")
        return
    try:
        if name is None:
            raise calc_answer.CalcError("name what to compute, such as `lineset calc superheat`; --list names all")
        if units not in ("customary", "si"):
            raise calc_answer.CalcError(f"--units: {units!r} is neither customary nor si")
        if calc_targets.is_target(name):
            target = calc_targets.answer(name, {key: value for key, value in asked.items() if isinstance(value, str)})
            text = json.dumps(calc_targets.as_data(target), indent=2)
            typer.echo(text if as_json else calc_targets.as_text(target, "si" if units == "si" else "customary"))
            return
        calc_targets.refuse_unused(name, asked)
        found = calc_answer.answer(
            name,
            {key: asked[key] for key in calc_options.OPTIONS if asked[key] is not None},
            refrigerant=refrigerant,
            frequency=frequency,
            altitude=altitude,
            barometer=barometer,
            ratings={key: asked[key] for key in calc_ratings.RATINGS if asked[key] is not None},
            map_temperature=map_temperature,
            map_superheat=map_superheat,
        )
    except calc_answer.CalcError as error:
        typer.echo(f"lineset calc: {error}", err=True)
        raise typer.Exit(2) from error
    if as_json:
        typer.echo(json.dumps(calc_words.as_data(found), indent=2))
    else:
        typer.echo(calc_words.as_text(found, "si" if units == "si" else "customary"))
