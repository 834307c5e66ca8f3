"""Everything that the swap rule looks at, read in SQL: the facts of a position as one canonical JSON document,
and the catalogue. The same text serves the nightly work and the page of one device, so both judge the same facts.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import connection

from installs.rules.loops import Band
from installs.rules.topology import parse_topology
from maintenance.rules.swap import RULE_VERSION, judge, ranked
from maintenance.rules.swap_facts import (
    BoardFacts,
    CircuitFacts,
    InsertFacts,
    Judgement,
    Position,
    Resistors,
    TopologyFacts,
    VariantFacts,
)
from maintenance.rules.swap_settings import carried_over

# What the inputs of a profile read as what; facts hold the hash, because few profiles serve many circuits.
BANDS_SQL = """
        SELECT profile_id, bands, md5(bands::text) AS hash FROM (
            SELECT profile_id, jsonb_agg(jsonb_build_array(state, low_ohm, high_ohm) ORDER BY low_ohm) AS bands
            FROM installs_inputband GROUP BY profile_id
        ) AS grouped
"""

# Takes `carried_over` (see carried_over_json) and gives one row per device of `chosen(device_id)`: its facts, without
# its own number, mark, position or serial. jsonb orders the keys of an object, and circuits are ordered by their own
# content, so equal facts are equal text. Cable resistance is rounded up to 10 ohms, so that devices of one kind
# share a judgement.
FACTS_SQL = f"""
    carried_over AS MATERIALIZED (
        SELECT (row ->> 0)::bigint AS variant_id,
            ARRAY(SELECT jsonb_array_elements_text(row -> 1)) AS names,
            ARRAY(SELECT jsonb_array_elements_text(row -> 2)) AS partial
        FROM jsonb_array_elements(%(carried_over)s::jsonb) AS row
    ),
    bands AS MATERIALIZED (
        {BANDS_SQL}
    ),
    on_circuits AS (
        SELECT p.device_id, jsonb_agg(doc ORDER BY doc) AS circuits
        FROM chosen
        JOIN installs_circuitplace p ON p.device_id = chosen.device_id
        JOIN installs_circuit c ON c.id = p.circuit_id
        JOIN stock_cabletype t ON t.id = c.cable_type_id
        LEFT JOIN bands b ON b.profile_id = c.profile_id
        CROSS JOIN LATERAL (
            SELECT sum(o.run_m) AS metres, (array_agg(o.device_id ORDER BY o."order" DESC))[1] AS last_device_id
            FROM installs_circuitplace o WHERE o.circuit_id = c.id
        ) line
        LEFT JOIN installs_device e ON e.id = line.last_device_id AND e.id <> p.device_id AND c.eol_ohm IS NULL
        LEFT JOIN stock_board eb ON eb.id = e.board_id
        CROSS JOIN LATERAL (
            SELECT jsonb_build_object(
                'functions', (SELECT jsonb_agg(f ORDER BY f) FROM unnest(p.functions) AS f),
                'topology', c.topology_id,
                'bands', b.hash,
                'cable_ohm', ceil(line.metres * 2 * t.ohm_per_km_20 / 1000 / 10) * 10,
                'eol_ohm', COALESCE(c.eol_ohm, (e.hand_wired ->> 'eol')::float8, eb.eol_ohm),
                'carries_eol', c.eol_ohm IS NULL AND line.last_device_id = p.device_id
            ) AS doc
        ) documents
        GROUP BY p.device_id
    ),
    facts AS MATERIALIZED (
        SELECT d.id AS device_id, jsonb_build_object(
            'variant', d.variant_id, 'backplate', d.backplate_id, 'board', d.board_id,
            'hand_wired', d.hand_wired, 'wires', d.signalling_wires, 'landings', d.core_landings,
            'settings', d.settings - COALESCE(v.names, '{{}}'),
            'in_use', (
                SELECT jsonb_agg(name ORDER BY name) FROM unnest(v.partial) AS name
                WHERE d.settings -> name NOT IN ('null', 'false', '0')
            ),
            'grade', s.grade, 'class', s.environmental_class,
            'circuits', COALESCE(o.circuits, '[]')
        ) AS facts
        FROM chosen
        JOIN installs_device d ON d.id = chosen.device_id
        JOIN installs_system y ON y.id = d.system_id
        JOIN installs_site s ON s.id = y.site_id
        LEFT JOIN on_circuits o ON o.device_id = d.id
        LEFT JOIN carried_over v ON v.variant_id = d.variant_id
    )
"""  # noqa: S608 - fixed text

# Every column of the catalogue that the rule reads, and whether a variant is discontinued on the day.
FINGERPRINT_SQL = """
    SELECT md5(%(rule)s::text || string_agg(part, '|' ORDER BY part)) FROM (
        SELECT 'variant' || to_jsonb(v)::text || COALESCE(v.discontinued_on <= %(today)s, false)::text
            FROM stock_variant v
        UNION ALL SELECT 'board' || to_jsonb(b)::text || i.sku || ' ' || i.name
            FROM stock_board b JOIN stock_item i ON i.id = b.item_id
        UNION ALL SELECT 'board family' || board_id || ' ' || family_id FROM stock_board_families
        UNION ALL SELECT 'insert' || to_jsonb(n)::text || i.sku || ' ' || i.name
            FROM stock_insert n JOIN stock_item i ON i.id = n.item_id
        UNION ALL SELECT 'insert family' || insert_id || ' ' || family_id FROM stock_insert_families
        UNION ALL SELECT 'backplate' || to_jsonb(p)::text FROM stock_backplate p
        UNION ALL SELECT 'topology' || to_jsonb(t)::text FROM stock_topology t
    ) AS parts(part)
"""


def catalogue_fingerprint(on: date) -> str:
    """A hash of every catalogue row that the rule reads, as it stands on that day. One statement."""
    with connection.cursor() as cursor:
        cursor.execute(FINGERPRINT_SQL, {"today": on, "rule": f"rule {RULE_VERSION} "})
        row = cursor.fetchone()
    assert row is not None
    return str(row[0])


@dataclass(frozen=True)
class Catalogue:
    """The catalogue as the rule sees it, by primary key; `backplates` is family, generation and terminals, `bands`
    is by the hash of the facts."""

    variants: Mapping[int, VariantFacts]
    boards: Mapping[int, BoardFacts]
    backplates: Mapping[int, tuple[int, int, tuple[str, ...]]]
    topologies: Mapping[int, TopologyFacts]
    bands: Mapping[str, tuple[Band, ...]]

    def covers(self, family: int) -> list[VariantFacts]:
        """Every cover of the family, discontinued ones included."""
        return [variant for variant in self.variants.values() if variant.family == family]

    def boards_for(self, family: int) -> list[BoardFacts]:
        """Every board that fits the family."""
        return [board for board in self.boards.values() if family in board.families]


def _rows(sql: str) -> list[dict[str, Any]]:
    with connection.cursor() as cursor:
        cursor.execute(sql)
        return [json.loads(row[0]) for row in cursor.fetchall()]


def load_catalogue(on: date) -> Catalogue:
    """The whole catalogue (some hundred rows) on that day. Six statements."""
    topologies = {
        row["id"]: TopologyFacts(
            code=row["code"],
            name=row["name"],
            circuit=parse_topology(row["circuit"]),
            functions=frozenset(row["functions"]),
        )
        for row in _rows("SELECT to_jsonb(t)::text FROM stock_topology t")
    }
    boards = {
        row["id"]: BoardFacts(
            key=row["id"],
            name=row["label"],
            topology=topologies[row["topology_id"]],
            signalling_wires=row["signalling_wires"],
            resistors=_board_resistors(row) if row["presets_values"] else None,
            families=frozenset(row["fits"]),
            generations=frozenset(row["generations"]),
        )
        for row in _rows(
            """SELECT (to_jsonb(b) || jsonb_build_object('label', i.sku || ' ' || i.name, 'fits', COALESCE(
                   (SELECT jsonb_agg(f.family_id) FROM stock_board_families f WHERE f.board_id = b.id), '[]')))::text
               FROM stock_board b JOIN stock_item i ON i.id = b.item_id ORDER BY b.id"""
        )
    }
    inserts: dict[int, list[InsertFacts]] = {}
    for row in _rows(
        """SELECT (to_jsonb(n) || jsonb_build_object('label', i.sku || ' ' || i.name, 'fits', COALESCE(
               (SELECT jsonb_agg(f.family_id) FROM stock_insert_families f WHERE f.insert_id = n.id), '[]')))::text
           FROM stock_insert n JOIN stock_item i ON i.id = n.item_id ORDER BY n.id"""
    ):
        for family in row["fits"]:
            inserts.setdefault(family, []).append(
                InsertFacts(key=row["item_id"], name=row["label"], setting=row["setting"], value=row["value"])
            )
    variants = {
        row["id"]: VariantFacts(
            key=row["id"],
            code=row["code"],
            name=row["name"],
            family=row["family_id"],
            backplate_generations=frozenset(row["backplate_generations"]),
            grade=row["grade"],
            environmental_class=row["environmental_class"],
            anti_mask=row["anti_mask"],
            outputs=frozenset(row["outputs"]),
            supply_min_v=float(row["supply_min_v"]),
            supply_max_v=float(row["supply_max_v"]),
            quiescent_ma=float(row["quiescent_ma"]),
            maximum_ma=float(row["maximum_ma"]),
            settings_schema=row["settings_schema"],
            factory_settings=row["factory_settings"],
            successor=row["successor_id"],
            discontinued_on=(gone := row["discontinued_on"] and date.fromisoformat(row["discontinued_on"])),
            discontinued=gone is not None and gone <= on,
            inserts=tuple(inserts.get(row["family_id"], ())),
        )
        for row in _rows("SELECT to_jsonb(v)::text FROM stock_variant v ORDER BY v.code")
    }
    backplates = {
        row["id"]: (row["family_id"], row["generation"], tuple(row["terminals"]))
        for row in _rows("SELECT to_jsonb(p)::text FROM stock_backplate p")
    }
    bands = {
        row["hash"]: tuple(Band(state, low, high) for state, low, high in row["bands"])
        for row in _rows(f"SELECT to_jsonb(b)::text FROM ({BANDS_SQL}) AS b")  # noqa: S608 - fixed text
    }
    return Catalogue(variants, boards, backplates, topologies, bands)


def _board_resistors(row: Mapping[str, Any]) -> Resistors:
    roles = [(role, row[f"{role}_ohm"]) for role in ("alarm", "eol", "mask")]
    return Resistors(
        tuple((role, float(ohm)) for role, ohm in roles if ohm is not None), float(row["tolerance_percent"])
    )


def position_from(facts: Mapping[str, Any], catalogue: Catalogue) -> Position:
    """The rule's position from a facts document."""
    family, generation, terminals = catalogue.backplates[facts["backplate"]]
    hand_wired = facts["hand_wired"]
    return Position(
        family=family,
        backplate_generation=generation,
        terminals=terminals,
        signalling_wires=facts["wires"],
        landings=facts["landings"],
        board=catalogue.boards[facts["board"]] if facts["board"] else None,
        hand_wired=Resistors(tuple(sorted((role, float(ohm)) for role, ohm in hand_wired.items() if ohm is not None)))
        if hand_wired
        else None,
        circuits=tuple(_circuit(circuit, catalogue) for circuit in facts["circuits"]),
        site_grade=facts["grade"],
        site_class=facts["class"],
        old=catalogue.variants[facts["variant"]],
        settings=facts["settings"],
        in_use=tuple(facts["in_use"] or ()),
    )


def judge_all(position: Position, catalogue: Catalogue) -> list[tuple[int, Judgement]]:
    """Every cover of the position's family with its rank, best first; rank 0: not to be proposed."""
    boards = catalogue.boards_for(position.family)
    return ranked(judge(position, cover, boards) for cover in catalogue.covers(position.family))


def _circuit(facts: Mapping[str, Any], catalogue: Catalogue) -> CircuitFacts:
    return CircuitFacts(
        functions=frozenset(facts["functions"] or ()),
        topology=catalogue.topologies[facts["topology"]],
        bands=catalogue.bands[facts["bands"]] if facts["bands"] else (),
        cable_ohm=float(facts["cable_ohm"] or 0),
        eol_ohm=None if facts["eol_ohm"] is None else float(facts["eol_ohm"]),
        carries_eol=facts["carries_eol"],
    )


def carried_over_json(catalogue: Catalogue) -> str:
    """For each variant the settings that its facts leave out, and those of them that some cover lacks."""
    rows = []
    for variant in catalogue.variants.values():
        settings = carried_over(variant, catalogue.covers(variant.family))
        rows.append([variant.key, sorted(settings.names), sorted(settings.partial)])
    return json.dumps(rows)


def device_facts(device_ids: Sequence[int], catalogue: Catalogue) -> dict[int, dict[str, Any]]:
    """The facts documents of these devices. One statement."""
    with connection.cursor() as cursor:
        cursor.execute(
            f"WITH chosen AS (SELECT unnest(%(devices)s::bigint[]) AS device_id), {FACTS_SQL}"  # noqa: S608 - fixed
            "SELECT device_id, facts::text FROM facts",
            {"devices": list(device_ids), "carried_over": carried_over_json(catalogue)},
        )
        return {device_id: json.loads(facts) for device_id, facts in cursor.fetchall()}
