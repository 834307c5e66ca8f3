"""Invented places, people and words. The postcode area is none that is in use."""

from __future__ import annotations

from random import Random

# Town, and its place in the invented area of 80 by 80 km: kilometres east and north of the corner.
TOWNS: tuple[tuple[str, float, float], ...] = (
    ("Ellerquay", 14.0, 36.0),
    ("Brindlow Mere", 8.0, 62.0),
    ("Quillham", 24.0, 21.0),
    ("Ottermead", 30.0, 52.0),
    ("Garrowden", 18.0, 8.0),
    ("Lunsett", 5.0, 44.0),
    ("Wystan Bridge", 33.0, 70.0),
    ("Skelbrough", 61.0, 43.0),
    ("Faxholme", 74.0, 60.0),
    ("Pellowick", 52.0, 18.0),
    ("Northcombe Mallow", 68.0, 28.0),
    ("Harthop", 47.0, 58.0),
    ("Marrowby", 57.0, 73.0),
    ("Tansel Cross", 76.0, 9.0),
)
CORNER = (54.0, -2.0)
KM_PER_DEGREE = 111.2
COS_LATITUDE = 0.584

STREETS = (
    "Lantern Street", "Tollgate Row", "Cooper's Wynd", "Mill Bank", "Old Ropewalk", "Almond Terrace",
    "Weighhouse Lane", "Saddler's Yard", "Copperas Hill", "Beacon Rise", "Dyehouse Lane", "Cordwainer Road",
    "Quay Approach", "Heron Way", "Sexton's Piece", "Tenterfield", "Kiln Road", "Larch Avenue",
)
FIRST_NAMES = (
    "Ada", "Bram", "Celia", "Dorian", "Edda", "Fergus", "Gwen", "Hakim", "Imelda", "Jonas", "Kezia", "Ludo",
    "Mirela", "Nils", "Oona", "Pavel", "Quentin", "Rhoda", "Stellan", "Tamsin", "Ulric", "Verity", "Wanda", "Yusuf",
)
LAST_NAMES = (
    "Applegarth", "Brightmoor", "Cattermoss", "Dunnock", "Eskerby", "Fallowell", "Garnish", "Hobday-Lunn",
    "Inchwood", "Jessamy", "Kettlecroft", "Loxgrove", "Mossop-Vane", "Nettlefold-Orr", "Otterspool", "Pemberlow",
    "Quillfeather", "Rushbottom", "Sallowfield", "Thornquist", "Underhay", "Vintersby", "Wrenlow", "Yaffle",
)
TRADES = (
    "Bakery", "Joinery", "Dental Practice", "Bookshop", "Garden Centre", "Cycle Works", "Pharmacy", "Print Shop",
    "Warehouse", "Primary School", "Village Hall", "Veterinary Practice", "Jewellers", "Motor Repairs", "Brewery",
    "Pottery", "Opticians", "Tile Merchants", "Timber Yard", "Cheese Dairy", "Clinic", "Museum", "Tannery", "Chapel",
)
ROOMS = (
    "front door", "rear door", "reception", "shop floor", "stock room", "office", "stairwell", "corridor", "kitchen",
    "loading bay", "workshop", "server room", "staff room", "landing", "plant room", "archive", "strong room", "hall",
)
CORNERS = ("left corner", "right corner", "above door", "beside window", "far wall", "by pillar")
CAUTIONS = (
    "Mains spur above panel: isolate before opening.",
    "Loft hatch has no ladder: bring the short one and foot it.",
    "Dog on the premises: ring before you enter.",
    "Asbestos board behind panel: no drilling.",
    "Fork-lift traffic in the loading bay: wear high-visibility clothing.",
    "Detector over stairwell: two people and a podium.",
)
ACCESS = (
    "Key safe left of the side gate, code with the office. Unset at the side door only.",
    "Key holder lives opposite at number {number}; ring twice.",
    "Park behind the building. Staff open at 08:00; out of hours call the key holder.",
    "Gate key {number} on the branch key board. Entry time 30 s from the rear door.",
    "Report at reception; panel cupboard key is in the second drawer.",
)


def place_of(east_km: float, north_km: float) -> tuple[float, float]:
    """Degrees north and east of a point of the invented area."""
    return (
        round(CORNER[0] + north_km / KM_PER_DEGREE, 5),
        round(CORNER[1] + east_km / (KM_PER_DEGREE * COS_LATITUDE), 5),
    )


def postcode(random: Random, town: int) -> str:
    """QV is no postcode area, and the last two letters are of those that postcodes leave out."""
    return f"QV{town + 1} {random.randint(1, 9)}{random.choice('CIKMOV')}{random.choice('CIKMOV')}"
