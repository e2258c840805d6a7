"""The command that tries the tool on simulated callbacks."""

from __future__ import annotations

from typing import Annotated

import typer

from diagnose import completion
from diagnose.cli_call import JsonOption, NetworkOption, print_json
from diagnose.knowledge import DEFAULT_NETWORK


def simulate(
    cases: Annotated[int, typer.Option(metavar="N", min=2, max=1_000_000, help="How many callbacks.")] = 100,
    seed: Annotated[int, typer.Option(metavar="N", min=0, help="Of the random numbers; the same seed, the same result.")] = 1,
    perturb: Annotated[float, typer.Option(metavar="SD", min=0.0, max=5.0, help="Draw from a network whose log odds are "
                                           "moved at random by this standard deviation.")] = 0.0,
    policies: Annotated[str, typer.Option(metavar="NAMES", help="Ways of choosing, with commas; the first is what the others "
                                          "are compared with. All if empty.", autocompletion=completion.policy_names)] = "",
    who: Annotated[str, typer.Option(metavar="WHO", help="With whom a callback begins: customer or fitter.",
                                        autocompletion=completion.people)] = "customer",
    search: Annotated[float, typer.Option(metavar="MIN", min=1, max=10_000, help="Minutes of a search on site that surely ends "
                                          "it.")] = 90.0,
    processes: Annotated[int, typer.Option(metavar="N", min=0, max=256, help="Processes at once; 0: one for each core.")] = 0,
    as_json: JsonOption = False,
    network: NetworkOption = DEFAULT_NETWORK,
) -> None:
    """Try ways of choosing the next step on simulated callbacks: minutes, wrong remedies, calibration."""
    import os

    from diagnose import screens, screens_simulate
    from diagnose.network import open_network
    from diagnose.nextcheck import Situation
    from diagnose.policies import POLICIES
    from diagnose.simulate import simulate as run

    names = [name.strip().replace("-", "_") for name in policies.split(",") if name.strip()] or list(POLICIES)
    situation = Situation(who=who, unexplained_minutes=search)
    opened = open_network(network)
    with screens_simulate.progress(cases) as advance:
        found = run(opened, cases=cases, seed=seed, policies=names, situation=situation, spread=perturb,
                    processes=processes or os.cpu_count() or 1, advance=advance)
    if as_json:
        print_json({"schema": 1, **found._asdict()})
        return
    screens_simulate.show_simulation(screens.console(), found, opened)


def register(app: typer.Typer) -> None:
    """Hang the command on the program."""
    app.command(short_help="Try ways of choosing the next step on simulated callbacks.",
                epilog="Example: diagnose simulate --cases 200 --seed 7 --perturb 0.5")(simulate)
