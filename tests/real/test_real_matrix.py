"""A published matrix goes through NEXUS without loss: the mites of Schäffer et al. 2010 (Molecular Phylogenetics and
Evolution 55:677, as cited in phangorn), 79 morphological characters of 12 species, of Debian's r-cran-phangorn (GPL-2,
fetched and never shipped)."""

from __future__ import annotations

import io

import dendropy
import pytest
from commonnexus import Nexus
from fetched import debian_file, kept

from ossicle.publish.matrix import matrix_from_nexus, matrix_to_nexus

MITES = "c31fe954c57f5c8f3b3e2f6ae08f04f1894865b751d43f5cb9993f8c06108699"
PLACE = "usr/lib/R/site-library/phangorn/data/mites.RData"

pytestmark = [pytest.mark.real, pytest.mark.filterwarnings("ignore:Missing constructor")]


def mites() -> dict[str, str]:
    """Return the states by species, one sign a character."""
    rdata = pytest.importorskip("rdata")
    data = kept("mites.RData", MITES, lambda work: debian_file(work, "r-cran-phangorn", PLACE))
    packed = rdata.parser.parse_data(data)
    patterns = rdata.conversion.convert(packed)["mites"]
    about = rdata.conversion.convert(packed.object.value[0].attributes)
    return {
        str(name): "".join(str(about["allLevels"][rows[at - 1] - 1]) for at in about["index"])
        for name, rows in patterns.items()
    }


def test_a_published_matrix_goes_round_without_loss() -> None:
    species = mites()
    assert len(species) == 12
    assert {len(row) for row in species.values()} == {79}
    taxa = dendropy.StandardCharacterMatrix.from_dict(species, default_state_alphabet=_alphabet())
    text = io.StringIO()
    taxa.write(file=text, schema="nexus", simple=False)
    ours = matrix_from_nexus(text.getvalue())
    assert len(ours.columns) == 79
    ours_text = matrix_to_nexus(ours)
    assert matrix_from_nexus(ours_text) == ours
    theirs = Nexus(ours_text).characters.get_matrix()
    again = dendropy.StandardCharacterMatrix.get(data=ours_text, schema="nexus")
    for name, row in species.items():
        label = name if name in theirs else name.replace("_", " ")
        assert "".join("?" if v is None else v for v in theirs[label].values()) == row
        taxon = again.taxon_namespace.get_taxon(label=label)
        assert "".join(str(s) for s in again[taxon]) == row


def _alphabet() -> dendropy.StateAlphabet:
    return dendropy.new_standard_state_alphabet("01234567")
