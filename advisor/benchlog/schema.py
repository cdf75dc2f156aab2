"""Layout of the bench log: numbered migrations, each applied whole or not at all."""

from __future__ import annotations

MIGRATIONS: tuple[str, ...] = (
    # 1: units as scored, jobs as done, minutes by phase, outcomes, stopwatches, and the history of every edit
    """
    CREATE TABLE unit (
        id INTEGER PRIMARY KEY,
        asset_tag TEXT NOT NULL,
        scored_at TEXT NOT NULL,
        facts TEXT NOT NULL CHECK (json_valid(facts)),
        advice TEXT, edition TEXT, image TEXT,
        hands_on_min REAL CHECK (hands_on_min >= 0), elapsed_min REAL CHECK (elapsed_min >= 0),
        elapsed_low_min REAL, elapsed_high_min REAL,
        phases TEXT CHECK (phases IS NULL OR json_valid(phases)),
        model TEXT
    );
    CREATE INDEX unit_tag ON unit (asset_tag, scored_at);

    CREATE TABLE job (
        id INTEGER PRIMARY KEY,
        unit_id INTEGER REFERENCES unit (id),
        asset_tag TEXT NOT NULL,
        done_on TEXT NOT NULL,
        edition TEXT, image TEXT, parts TEXT, technician TEXT,
        hands_on_min REAL CHECK (hands_on_min >= 0), elapsed_min REAL CHECK (elapsed_min > 0),
        note TEXT,
        source TEXT NOT NULL DEFAULT 'logged here',
        logged_at TEXT NOT NULL
    );
    CREATE INDEX job_tag ON job (asset_tag);
    CREATE INDEX job_day ON job (done_on);

    CREATE TABLE job_phase (
        job_id INTEGER NOT NULL REFERENCES job (id) ON DELETE CASCADE,
        phase TEXT NOT NULL,
        minutes REAL NOT NULL CHECK (minutes >= 0),
        PRIMARY KEY (job_id, phase)
    ) WITHOUT ROWID;

    CREATE TABLE outcome (
        id INTEGER PRIMARY KEY,
        job_id INTEGER NOT NULL REFERENCES job (id) ON DELETE CASCADE,
        seen_on TEXT NOT NULL,
        stage TEXT NOT NULL CHECK (stage IN ('first-boot check', 'later')),
        result TEXT NOT NULL CHECK (result IN ('fine', 'slow', 'returned')),
        reason TEXT
    );
    CREATE INDEX outcome_job ON outcome (job_id);

    CREATE TABLE stopwatch (
        id INTEGER PRIMARY KEY,
        asset_tag TEXT NOT NULL,
        phase TEXT NOT NULL,
        started_at TEXT NOT NULL,
        stopped_at TEXT,
        CHECK (stopped_at IS NULL OR stopped_at >= started_at)
    );
    CREATE UNIQUE INDEX stopwatch_running ON stopwatch (asset_tag, phase) WHERE stopped_at IS NULL;

    CREATE TABLE history (
        id INTEGER PRIMARY KEY,
        kind TEXT NOT NULL,
        row_id INTEGER NOT NULL,
        changed_at TEXT NOT NULL,
        before TEXT NOT NULL
    );
    CREATE TRIGGER job_edit BEFORE UPDATE ON job BEGIN
        INSERT INTO history (kind, row_id, changed_at, before) VALUES ('job', OLD.id,
            strftime('%Y-%m-%dT%H:%M:%fZ', 'now'),
            json_object('asset_tag', OLD.asset_tag, 'done_on', OLD.done_on, 'edition', OLD.edition, 'image', OLD.image,
                'parts', OLD.parts, 'technician', OLD.technician, 'hands_on_min', OLD.hands_on_min,
                'elapsed_min', OLD.elapsed_min, 'note', OLD.note));
    END;
    CREATE TRIGGER job_phase_edit BEFORE UPDATE ON job_phase BEGIN
        INSERT INTO history (kind, row_id, changed_at, before) VALUES ('job_phase', OLD.job_id,
            strftime('%Y-%m-%dT%H:%M:%fZ', 'now'), json_object('phase', OLD.phase, 'minutes', OLD.minutes));
    END;
    CREATE TRIGGER job_delete BEFORE DELETE ON job BEGIN
        INSERT INTO history (kind, row_id, changed_at, before) VALUES ('job deleted', OLD.id,
            strftime('%Y-%m-%dT%H:%M:%fZ', 'now'),
            json_object('asset_tag', OLD.asset_tag, 'done_on', OLD.done_on, 'edition', OLD.edition, 'image', OLD.image,
                'hands_on_min', OLD.hands_on_min, 'elapsed_min', OLD.elapsed_min, 'note', OLD.note));
    END;
    """,
    # 2: the units that stand in the queue, for every page and every technician of the bench
    """
    CREATE TABLE queue (
        id INTEGER PRIMARY KEY,
        asset_tag TEXT NOT NULL DEFAULT '',
        facts TEXT NOT NULL CHECK (json_valid(facts)),
        unread TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(unread)),
        wrong TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(wrong)),
        kept TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(kept)),
        spoken_for TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(spoken_for)),
        origin TEXT NOT NULL,
        printed_at TEXT,
        job_id INTEGER REFERENCES job (id) ON DELETE SET NULL,
        came_at TEXT NOT NULL,
        left_at TEXT
    );
    CREATE INDEX queue_tag ON queue (asset_tag) WHERE left_at IS NULL;
    """,
    # 3: hand-over checks of units, and who let one go with something left to mend
    """
    CREATE TABLE handover (
        id INTEGER PRIMARY KEY,
        asset_tag TEXT NOT NULL,
        checked_at TEXT NOT NULL,
        must INTEGER NOT NULL CHECK (must >= 0),
        findings TEXT NOT NULL CHECK (json_valid(findings)),
        released_by TEXT,
        released_why TEXT,
        CHECK ((released_by IS NULL) = (released_why IS NULL))
    );
    CREATE INDEX handover_tag ON handover (asset_tag);
    """,
    # 4: the shop's file that was chosen on a page, and what the page had been started with
    """
    CREATE TABLE chosen_shop (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        path TEXT NOT NULL,
        start TEXT NOT NULL,
        chosen_at TEXT NOT NULL
    );
    """,
)
"""SQL of each version, oldest first; `PRAGMA user_version` counts those applied."""
