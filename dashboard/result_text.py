"""A result as text for the terminal."""

from __future__ import annotations

from typing import Any

_SIGNS = {"proved": "■", "reduced": "▤", "untested": "□"}


def result_text(result: dict[str, Any]) -> str:
    """A result in words and a table.

    Args:
        result: a ``slewtrace.result/1`` document.
    """
    plan = result["plan"]
    lines = [
        f"Run {result['run_id']}, truck {result['truck']}",
        (
            f"Test load {plan['test_load_kg']:g} kg; required moment "
            f"{plan['required_moment_nm'] / 1000:.2f} kN·m "
            f"({plan['moment_factor']:g} × rated moment)"
        ),
        "",
        "Sectors, counted from over the rear",
        "  side        from     to   capacity   basis",
    ]
    lines += [_sector_line(sector) for sector in result["sectors"]]
    lines += ["", "Sweeps"]
    lines += [_sweep_line(s) for s in result["sweeps"]] or ["  none"]
    lines += ["", "Findings"]
    lines += [_finding_line(f) for f in result["findings"]] or ["  none"]
    lines += ["", *result["cautions"]]
    return "\n".join(lines)


def _sector_line(sector: dict[str, Any]) -> str:
    share = f"{sector['percent']:g} %" if sector["percent"] else "no lifting"
    return (
        f"  {sector['side']:6}{sector['from_deg']:9g}°{sector['to_deg']:6g}°"
        f"{share:>11}   {_SIGNS[sector['basis']]} {sector['basis']}"
    )


def _sweep_line(sweep: dict[str, Any]) -> str:
    first = sweep["first_lift"]
    if first is None:
        told = "no wheel lifted"
    else:
        told = (
            f"{first['wheel']} lifted first at {first['slew_deg']:.1f}° "
            f"({first['slew_low_deg']:.1f}° to {first['slew_high_deg']:.1f}°), "
            f"{first['t_s']:.2f} s"
        )
    radii = [f"{h['radius_m']:.2f} m" for h in sweep["holds"] if h["radius_m"] is not None]
    held = f"; held at {', '.join(radii)}" if radii else ""
    kept = "" if sweep["counts"] else "  (a later sweep of this side counts)"
    return f"  {sweep['side']}: reached {sweep['reached_deg']:.1f}°, {told}{held}{kept}"


def _finding_line(finding: dict[str, Any]) -> str:
    at = "" if finding["t_s"] is None else f" at {finding['t_s']:.2f} s"
    return f"  {finding['severity'].upper()}{at}: {finding['text']} [{finding['code']}]"
