"""The account of what was taken in, as text."""


def account_lines(account: dict[str, dict]) -> list[str]:
    """What became of every input layer's features and kilometres, as lines of text: of a log, of the passes made.

    Parameters
    ----------
    account : dict of role to the layer's account
        As in the manifest.
    """
    head = ("layer", "read", "kept", "of them split", "rejected", "km read", "km kept", "km rejected")
    lines = ["{:<8}{:>10}{:>10}{:>15}{:>10}{:>12}{:>12}{:>13}".format(*head)]
    for role, said in account.items():
        km = ["" if said.get(name) is None else f"{said[name] / 1000:.3f}" for name in ("read_m", "kept_m", "rejected_m")]
        counts = [said[name] for name in ("read", "kept", "split", "rejected")]
        lines.append("{:<8}{:>10}{:>10}{:>15}{:>10}{:>12}{:>12}{:>13}".format(role, *counts, *km))
    return lines
