"""Holds ADES files against the standard's rules, by a reader of its own: nothing here comes from the program that wrote them.

Usage: python check_ades.py FILE.psv FILE.xml    checks both and that they say the same; prints what they hold as JSON
       python check_ades.py --vectors            runs the accept and reject vectors; prints how many as JSON

Exit status 1, with the faults on stderr, where a rule is broken or a vector comes out otherwise.

Rules: ADES concise description of 2 May 2024 and the submission schema `submit.xsd` of the IAU-ADES repository of 26 November
2025 (commit bb78aac): version, header groups, fields with their order, patterns and ranges. The vectors below from "permID 67P"
to "permID 6|P" are those that were run against that schema; the others follow from the description's text.
Made with Python 3.11; the standard library alone.
"""

import json
import re
import sys
import xml.etree.ElementTree as ET

ORDER = (
    "permID provID trkSub mode stn location obsTime rmsTime ra dec rmsRA rmsDec rmsCorr astCat mag rmsMag band fltr photCat "
    "photAp logSNR seeing exp rmsFit nStars disc uncTime notes remarks"
).split()
NEEDED = ["mode", "stn", "obsTime", "ra", "dec", "astCat"]
MODES = "CCD CMO VID PHO ENC PMT MIC MER TDI OCC UNK".split()
CATALOGUES = "Gaia3E Gaia3 Gaia2 Gaia1 PS1_DR1 PS1_DR2 UCAC5 UCAC4 URAT1 2MASS Tyc2 PPMXL UNK".split()
DECIMAL = r"[+-]?\d+(\.\d*)?"
PATTERNS = {
    "permID": r"\d+([IPD](-[A-Z]{1,2})?)?",
    "provID": r"[ADCPX]/\d{4} [A-Z]{1,2}\d*(-[A-Z])?",
    "trkSub": r"[A-Za-z0-9_]{1,8}",
    "mode": "|".join(MODES),
    "stn": r"[A-Za-z0-9]{3,4}",
    "obsTime": r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])T([01]\d|2[0-3]):[0-5]\d:([0-5]\d|60)(\.\d{1,6})?Z",
    "ra": r"\d{1,3}(\.\d{0,9})?",
    "dec": r"[+-]?\d{1,2}(\.\d{0,9})?",
    "astCat": "|".join(CATALOGUES),
    "photCat": "|".join(CATALOGUES),
    "band": r"\w{1,3}",
    "nStars": r"\d+",
    "notes": r".{1,6}",
    "remarks": r".{1,300}",
}
# lowest, highest, whether the highest itself is allowed
RANGES = {"ra": (0, 360, False), "dec": (-90, 90, True), "mag": (-5, 35, True), "rmsCorr": (-1, 1, True)}
POSITIVE = "rmsTime rmsRA rmsDec rmsMag photAp seeing exp rmsFit uncTime".split()
GROUPS = {
    "observatory": ["mpcCode"],
    "submitter": ["name"],
    "observers": ["name"],
    "measurers": ["name"],
    "telescope": ["design", "aperture", "detector"],
    "comment": ["line"],
}
OPTIONAL_GROUPS = ["observers", "comment"]
OTHER_KEYWORDS = {"observatory": ["name"], "telescope": ["name", "fRatio", "filter", "arraySize", "pixelScale"]}


def faults_of_record(fields):
    """Faults of one optical record, a list of (name, value) in the order in which it was written."""
    faults = []
    names = [name for name, _ in fields]
    held = dict(fields)
    if len(held) != len(names):
        faults.append("a field stands twice")
    if not {"permID", "provID", "trkSub"} & set(names):
        faults.append("no identification")
    faults += [f"{name} is missing" for name in NEEDED if name not in held]
    if ("mag" in held) != ("band" in held):
        faults.append("mag and band must come together")
    known = [name for name in names if name in ORDER]
    faults += [f"{name} is not allowed" for name in names if name not in ORDER]
    if known != sorted(known, key=ORDER.index):
        faults.append(f"order of fields: {known}")
    for name, value in fields:
        if "|" in value or not value.strip() or value != value.strip():
            faults.append(f"{name}: pipe or blank in {value!r}")
        if name in PATTERNS and not re.fullmatch(PATTERNS[name], value):
            faults.append(f"{name}: {value!r} is not of its pattern")
        if name in RANGES or name in POSITIVE or name == "logSNR":
            if not re.fullmatch(DECIMAL, value):
                faults.append(f"{name}: {value!r} is not a decimal number with a digit before its point")
                continue
            number = float(value)
            if name in POSITIVE and number <= 0:
                faults.append(f"{name}: {value} is not positive")
            if name in RANGES:
                low, high, closed = RANGES[name]
                if number < low or number > high or (number == high and not closed):
                    faults.append(f"{name}: {value} is out of range")
    return faults


def faults_of_header(groups):
    """Faults of a header, a list of (group, [(keyword, value)])."""
    names = [name for name, _ in groups]
    faults = [f"group {name} is unknown" for name in names if name not in GROUPS]
    faults += [f"group {name} is missing" for name in GROUPS if name not in names and name not in OPTIONAL_GROUPS]
    if names[:1] != ["observatory"]:
        faults.append("observatory must come first")
    for name, lines in groups:
        keywords = [keyword for keyword, _ in lines]
        faults += [f"{name}: {k} is missing" for k in GROUPS.get(name, []) if k not in keywords]
        allowed = GROUPS.get(name, []) + OTHER_KEYWORDS.get(name, [])
        faults += [f"{name}: {k} is unknown" for k in keywords if k not in allowed]
        faults += [f"{name}: bad value {v!r}" for _, v in lines if "|" in v or not v.strip()]
        if name == "telescope":
            aperture = dict(lines).get("aperture", "")
            if not re.fullmatch(DECIMAL, aperture) or float(aperture) <= 0:
                faults.append(f"telescope: aperture {aperture!r}")
    return faults


def read_psv(text):
    """Version and blocks of a PSV file; a block is its header and its records, with cells as written."""
    lines = text.splitlines()
    version = re.fullmatch(r"# version=(\S+)", lines[0] if lines else "")
    if not version:
        raise ValueError("the first line must be `# version=2022`")
    blocks, names = [], None
    for number, line in enumerate(lines[1:], 2):
        if line.startswith("# "):
            if names is not None or not blocks:
                blocks.append(([], []))
                names = None
            blocks[-1][0].append((line[2:].strip(), []))
        elif line.startswith("! "):
            keyword, _, value = line[2:].partition(" ")
            blocks[-1][0][-1][1].append((keyword, value.strip()))
        elif names is None:
            names = [name.strip() for name in line.split("|")]
            if not all(re.match("[a-z]", name) for name in names) or not set(names[:1]) & {"permID", "provID", "trkSub"}:
                raise ValueError(f"line {number}: field names {names}")
        else:
            cells = [cell.strip() for cell in line.split("|")]
            if len(cells) != len(names):
                raise ValueError(f"line {number}: {len(cells)} cells under {len(names)} names")
            blocks[-1][1].append([(n, c) for n, c in zip(names, cells) if c])
    return version[1], blocks


def read_xml(text):
    """The same of an XML file."""
    root = ET.fromstring(text)
    if root.tag != "ades":
        raise ValueError(f"the root is {root.tag}")
    leaf = lambda e: (e.tag, e.text or "")
    blocks = []
    for block in root:
        if block.tag != "obsBlock" or [part.tag for part in block] != ["obsContext", "obsData"]:
            raise ValueError("a block must hold obsContext and obsData")
        context, data = block
        if {record.tag for record in data} - {"optical"}:
            raise ValueError("only optical records are known here")
        header = [(group.tag, [leaf(e) for e in group]) for group in context]
        blocks.append((header, [[leaf(e) for e in record] for record in data]))
    return root.get("version"), blocks


def faults_of_file(version, blocks):
    faults = [] if version == "2022" else [f"version is {version}, not 2022"]
    if not any(records for _, records in blocks):
        faults.append("no record")
    for header, records in blocks:
        faults += faults_of_header(header)
        for record in records:
            faults += faults_of_record(record)
    return faults


MINIMAL = """<?xml version="1.0" encoding="UTF-8"?>
<ades version="2022"><obsBlock><obsContext>
<observatory><mpcCode>568</mpcCode></observatory><submitter><name>I. M. Submit</name></submitter>
<measurers><name>I. M. Measurit</name></measurers>
<telescope><design>reflector</design><aperture>2.2</aperture><detector>CMO</detector></telescope>
</obsContext><obsData><optical><permID>67P</permID><mode>CMO</mode><stn>568</stn><obsTime>2016-08-29T12:32:34.12Z</obsTime>
<ra>215.6560501</ra><dec>-13.5478723</dec><astCat>Gaia2</astCat><mag>13.52</mag><rmsMag>0.04</rmsMag><band>Rc</band>
<photCat>Gaia2</photCat><photAp>9.5</photAp></optical></obsData></obsBlock></ades>
"""
PHOTOMETRY = "<mag>13.52</mag><rmsMag>0.04</rmsMag><band>Rc</band>\n<photCat>Gaia2</photCat><photAp>9.5</photAp>"
ACCEPT = [
    ("permID 67P", "", ""),
    ("provID C/2013 A1", "<permID>67P</permID>", "<provID>C/2013 A1</provID>"),
    ("permID 73P-C", "67P", "73P-C"),
    ("no photometry at all", PHOTOMETRY, ""),
    # beside the schema's vectors
    ("provID P/1998 QP54", "<permID>67P</permID>", "<provID>P/1998 QP54</provID>"),
    ("provID P/1994 P1-B", "<permID>67P</permID>", "<provID>P/1994 P1-B</provID>"),
    ("permID 3D", "67P", "3D"),
    ("trkSub of 8 characters", "<permID>67P</permID>", "<trkSub>abcdefgh</trkSub>"),
]
REJECT = [
    ("version 2017", "2022", "2017"),
    ("mag without band", "<band>Rc</band>", ""),
    ("band before mag", "<mag>13.52</mag><rmsMag>0.04</rmsMag><band>Rc</band>", "<band>Rc</band><mag>13.52</mag>"),
    ("nucMag 1", "<photAp>9.5</photAp>", "<photAp>9.5</photAp><nucMag>1</nucMag>"),
    ("trkSub of 9 characters", "<mode>", "<trkSub>abcdefghi</trkSub><mode>"),
    ("mag 36.0", "13.52", "36.0"),
    ("band of 4 characters", "Rc<", "Rcxx<"),
    ("rmsMag .04", "0.04", ".04"),
    ("permID 6|P", "67P", "6|P"),
    # beside the schema's vectors
    ("no Z", "34.12Z", "34.12"),
    ("seven decimals of a second", "34.12Z", "34.1234567Z"),
    ("ra 360", "215.6560501", "360.0"),
    ("ten decimals", "215.6560501", "215.6560501234"),
    ("no identification", "<permID>67P</permID>", ""),
    ("no mode", "<mode>CMO</mode>", ""),
    ("unlisted mode", "<mode>CMO", "<mode>CMOS"),
    ("unlisted catalogue", "<astCat>Gaia2", "<astCat>mine"),
    ("no submitter", "<submitter><name>I. M. Submit</name></submitter>", ""),
    ("no aperture", "<aperture>2.2</aperture>", ""),
    ("prog", "<obsTime>", "<prog>31</prog><obsTime>"),
]
# the standard's example (section 5), which prints version 2017, an assignment of the Minor Planet Center and an asteroid
EXAMPLE = """# version=2022
# observatory
! mpcCode 568
! name Univ. Hawaii
# submitter
! name I. M. Submit
# observers
! name I. M. Observit
! name A. N. Astronomer
# measurers
! name I. M. Measurit
! name A. N. Skywatcher
# telescope
! design reflector
! aperture 2.2
! detector CCD
# comment
! line This is the first comment.
! line This is the second comment.
permID |trkSub  |mode|stn |obsTime                |ra         |dec        |rmsRA|rmsDec|rmsCorr|astCat  |mag  |rmsMag|band|photCat |photAp|logSNR|seeing|exp |notes|remarks
1234567|a1b2c3d4| CCD|568a|2016-08-29T12:32:34.12Z|215.6560501|-13.5478723|0.015|0.013 |-0.215 |   2MASS|21.91|0.25  |   w|   PPMXL|13.3  |0.78  |0.8   |1200|klmnp|High winds affected tracking
"""


def run_vectors():
    wrong = []
    for expected, vectors in ((True, ACCEPT), (False, REJECT)):
        for name, old, new in vectors:
            assert old in MINIMAL, name
            faults = faults_of_file(*read_xml(MINIMAL.replace(old, new, 1) if old else MINIMAL))
            if (not faults) != expected:
                wrong.append(f"{name}: {faults or 'accepted'}")
    faults = faults_of_file(*read_psv(EXAMPLE))
    if faults:
        wrong.append(f"the standard's example: {faults}")
    if not faults_of_file(*read_psv(EXAMPLE.replace("=2022", "=2017"))):
        wrong.append("the standard's example with version 2017 was accepted")
    if wrong:
        sys.exit("\n".join(wrong))
    print(json.dumps({"accepted": len(ACCEPT), "rejected": len(REJECT)}))


def main():
    if sys.argv[1:] == ["--vectors"]:
        return run_vectors()
    readers = {"psv": read_psv, "xml": read_xml}
    held = []
    for path in sys.argv[1:]:
        with open(path, encoding="utf-8") as file:
            version, blocks = readers[path.rsplit(".", 1)[1]](file.read())
        faults = faults_of_file(version, blocks)
        if faults:
            sys.exit(f"{path}: " + "; ".join(faults))
        held.append(blocks)
    if any(blocks != held[0] for blocks in held):
        sys.exit("the files do not say the same")
    print(json.dumps([{"header": dict((g, lines) for g, lines in h), "records": [dict(r) for r in rs]} for h, rs in held[0]]))


if __name__ == "__main__":
    main()
