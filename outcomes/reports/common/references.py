"""What the generated words cite: journal, year, volume, pages, DOI."""

from __future__ import annotations

REFERENCES = {
    "tolerance": "Angle Orthod 2017;87(6):809–815. doi:10.2319/022717-147.1",
    "fit": "Bates D, Mächler M, Bolker B, Walker S. J Stat Softw 2015;67(1). "
    "doi:10.18637/jss.v067.i01",
    "df": "Kuznetsova A, Brockhoff PB, Christensen RHB. J Stat Softw 2017;82(13). "
    "doi:10.18637/jss.v082.i13",
    "robust": "Pustejovsky JE, Tipton E. J Bus Econ Stat 2018;36:672–683. "
    "doi:10.1080/07350015.2016.1247004",
    "dahlberg": "Dahlberg G. Statistical Methods for Medical and Biological Students. London, 1940",
    "agreement": "Bland JM, Altman DG. Lancet 1986;1:307–310",
    "equivalence": "Schuirmann DJ. J Pharmacokinet Biopharm 1987;15:657–680",
    "lever": "Prog Orthod 2018;19:13. doi:10.1186/s40510-018-0213-5",
    "strobe": "von Elm E, Altman DG, Egger M, et al. Lancet 2007;370:1453–1457. "
    "doi:10.1016/S0140-6736(07)61602-X",
    "care": "Gagnier JJ, Kienle G, Altman DG, et al. Glob Adv Health Med 2013;2(5):38–43. "
    "doi:10.7453/gahmj.2013.008",
}
"""Short name to reference, in the order of their numbers."""


def journal(name: str) -> str:
    """A reference as it stands in a sentence: journal, year, volume, pages and DOI.

    Examples
    --------
    >>> journal("robust")
    'J Bus Econ Stat 2018;36:672–683, doi:10.1080/07350015.2016.1247004'
    """
    text, doi = REFERENCES[name].split(". doi:")
    return f"{text.rsplit('. ', 1)[-1]}, doi:{doi}"
