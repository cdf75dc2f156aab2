import pandas as pd

C = ["row", "code", "severity", "effect", "title", "reason", "action", "source"]


def _empty(cols):
    return pd.DataFrame(
        {c: pd.Series(dtype="float64" if c == "extra_min" else ("int64" if c == "row" else "object")) for c in cols}
    )


def traps(u, p):
    return _empty([*C, "rules_out", "disk_form", "boot_mode", "extra_min"])


def likely(u, p):
    return _empty(["row", "column", "value", "reason", "source"])


def conditions(u):
    m = u["notes"].str.contains("swoll", case=False).fillna(False)
    rows = [i for i, x in enumerate(m) if x]
    return pd.DataFrame(
        {
            "row": rows,
            "code": "battery-swollen",
            "severity": "stop",
            "effect": "set aside",
            "title": "Swollen battery",
            "reason": "the notes say so",
            "action": "x",
            "source": "common practice, no source",
        },
        columns=C,
    )
