"""Movements, directions, attachments, arches and sides in seven languages, read by ``languages``.

Standard terms of the trade (common practice, no source, but for one: angulation is the mesiodistal
tip and inclination the torque of a crown, as in Andrews, Am J Orthod 1972;62:296-309). Signs stand
in ``movements`` alone: here a word is tied to a direction as ``movements`` calls it, and the sign
follows from there. Each entry is a list with commas.
"""

from __future__ import annotations

#: (movement, its direction as in ``movements`` or "") -> language -> names of the movement.
MOVEMENT_NAMES: dict[tuple[str, str], dict[str, str]] = {
    ("mesiodistal", ""): {
        "en": "mesiodistal movement, mesiodistal translation, mesiodistal shift",
        "de": "mesiodistal, mesio-distal, mesiodistale Bewegung, mesiodistale Translation",
        "fr": "mésiodistal, mésio-distal, mouvement mésio-distal, translation mésio-distale",
        "es": "mesiodistal, mesio-distal, movimiento mesiodistal, traslación mesiodistal",
        "pt": "mesiodistal, mésio-distal, movimento mesiodistal, translação mesiodistal",
        "it": "mesiodistale, mesio-distale, movimento mesiodistale, traslazione mesiodistale",
        "sv": "mesiodistal, mesio-distal, mesiodistal rörelse, mesiodistal translation",
    },
    ("mesiodistal", "mesial"): {
        "en": "mesialisation, mesialization, mesial movement, mesial translation",
        "de": "Mesialisation, Mesialisierung, Mesialbewegung",
        "fr": "mésialisation",
        "es": "mesialización",
        "pt": "mesialização",
        "it": "mesializzazione",
        "sv": "mesialisering, mesialförflyttning",
    },
    ("mesiodistal", "distal"): {
        "en": "distalisation, distalization, distal movement, distal translation",
        "de": "Distalisation, Distalisierung, Distalbewegung",
        "fr": "distalisation",
        "es": "distalización",
        "pt": "distalização",
        "it": "distalizzazione",
        "sv": "distalisering, distalförflyttning",
    },
    ("buccolingual", ""): {
        "en": "buccolingual movement, buccolingual translation, bucco-palatal, labio-lingual, "
        "labio-palatal, vestibulolingual",
        "de": "bukkolingual, bukko-lingual, bukkopalatinal, bukko-palatinal, labiolingual, "
        "vestibulo-oral, vestibulooral, orovestibulär, oro-vestibulär, bukkolinguale Bewegung",
        "fr": "vestibulo-lingual, vestibulolingual, vestibulo-palatin, mouvement vestibulo-lingual",
        "es": "vestibulolingual, vestíbulo-lingual, vestibulopalatino, bucolingual, "
        "movimiento vestibulolingual",
        "pt": "vestibulolingual, vestíbulo-lingual, vestíbulo-palatino, bucolingual, "
        "movimento vestibulolingual",
        "it": "vestibololinguale, vestibolo-linguale, vestibolo-palatale, bucco-linguale, "
        "movimento vestibolo-linguale",
        "sv": "buckolingual, bucko-lingual, buckopalatinal, labiolingual, buckolingual rörelse",
    },
    ("buccolingual", "buccal"): {
        "en": "expansion, buccal movement, labial movement, buccal translation, labial translation",
        "de": "Expansion, Erweiterung, Bukkalbewegung, Labialbewegung",
        "fr": "expansion",
        "es": "expansión",
        "pt": "expansão",
        "it": "espansione",
        "sv": "expansion",
    },
    ("buccolingual", "lingual"): {
        "en": "constriction, contraction, lingual movement, palatal movement, lingual translation, "
        "palatal translation",
        "de": "Kontraktion, Lingualbewegung, Palatinalbewegung",
        "fr": "contraction",
        "es": "contracción",
        "pt": "contração, contracção",
        "it": "contrazione",
        "sv": "kontraktion",
    },
    ("vertical", ""): {
        "en": "vertical movement, vertical translation",
        "de": "vertikal, Vertikalbewegung, vertikale Bewegung, vertikale Translation",
        "fr": "vertical, mouvement vertical, translation verticale",
        "es": "vertical, movimiento vertical, traslación vertical",
        "pt": "vertical, movimento vertical, translação vertical",
        "it": "verticale, movimento verticale, traslazione verticale",
        "sv": "vertikal, vertikalt, vertikal rörelse",
    },
    ("vertical", "extrusion"): {
        "en": "extrusion",
        "de": "Extrusion, Elongation, Verlängerung",
        "fr": "extrusion, égression",
        "es": "extrusión",
        "pt": "extrusão",
        "it": "estrusione",
        "sv": "extrusion",
    },
    ("vertical", "intrusion"): {
        "en": "intrusion",
        "de": "Intrusion",
        "fr": "intrusion, ingression",
        "es": "intrusión",
        "pt": "intrusão",
        "it": "intrusione",
        "sv": "intrusion",
    },
    ("tip", ""): {
        "en": "crown angulation, mesiodistal tipping, mesiodistal angulation",
        "de": "Tip, Angulation, mesiodistale Kippung, mesiodistale Angulation",
        "fr": "tip, angulation, angulation coronaire, angulation mésio-distale, version mésio-distale",
        "es": "tip, angulación, angulación mesiodistal, inclinación mesiodistal",
        "pt": "tip, angulação, angulação mesiodistal, inclinação mesiodistal, inclinação mésio-distal",
        "it": "tip, angolazione, angolazione mesio-distale, inclinazione mesio-distale",
        "sv": "tip, angulation, angulering, mesiodistal tippning, mesiodistal angulation",
    },
    ("tip", "mesial tip"): {
        "en": "mesial tipping, mesial crown tipping, mesial angulation",
        "de": "Mesialkippung, Kippung nach mesial, mesiale Kippung, mesiale Angulation",
        "fr": "version mésiale, angulation mésiale",
        "es": "angulación mesial, inclinación mesial",
        "pt": "angulação mesial, inclinação mesial",
        "it": "angolazione mesiale, inclinazione mesiale",
        "sv": "mesialtippning, mesial tippning, mesial angulation",
    },
    ("tip", "distal tip"): {
        "en": "distal tipping, distal crown tipping, distal angulation",
        "de": "Distalkippung, Kippung nach distal, distale Kippung, distale Angulation",
        "fr": "version distale, angulation distale",
        "es": "angulación distal, inclinación distal",
        "pt": "angulação distal, inclinação distal",
        "it": "angolazione distale, inclinazione distale",
        "sv": "distaltippning, distal tippning, distal angulation",
    },
    ("torque", ""): {
        "en": "crown inclination, labiolingual inclination",
        "de": "Torque, Inklination, Kroneninklination, bukkolinguale Kippung, bukkolinguale "
        "Inklination",
        "fr": "torque, inclinaison, inclinaison coronaire, inclinaison vestibulo-linguale",
        "es": "torque, inclinación, inclinación vestibulolingual",
        "pt": "torque, inclinação, inclinação vestibulolingual",
        "it": "torque, inclinazione, inclinazione vestibolo-linguale",
        "sv": "torque, inklination, buckolingual inklination",
    },
    ("torque", "buccal torque"): {
        "en": "labial torque, labial crown torque, buccal crown torque, vestibular crown torque, "
        "lingual root torque, palatal root torque",
        "de": "labialer Kronentorque, bukkaler Kronentorque, vestibulärer Kronentorque, "
        "lingualer Wurzeltorque, palatinaler Wurzeltorque",
        "fr": "torque coronaire vestibulaire, torque corono-vestibulaire, "
        "torque radiculaire lingual, torque radiculaire palatin, torque radiculo-palatin",
        "es": "torque coronario vestibular, torque coronal vestibular, torque radicular lingual, "
        "torque radicular palatino",
        "pt": "torque coronário vestibular, torque vestibular de coroa, torque lingual de raiz, "
        "torque palatino de raiz, torque radicular lingual, torque radicular palatino",
        "it": "torque coronale vestibolare, torque corono-vestibolare, torque radicolare linguale, "
        "torque radicolare palatale, torque radico-palatale",
        "sv": "labial krontorque, buckal krontorque, lingual rottorque, palatinal rottorque",
    },
    ("torque", "lingual torque"): {
        "en": "palatal torque, lingual crown torque, palatal crown torque, labial root torque, "
        "buccal root torque, vestibular root torque",
        "de": "lingualer Kronentorque, palatinaler Kronentorque, labialer Wurzeltorque, "
        "bukkaler Wurzeltorque, vestibulärer Wurzeltorque",
        "fr": "torque coronaire lingual, torque coronaire palatin, torque corono-lingual, "
        "torque corono-palatin, torque radiculaire vestibulaire, torque radiculo-vestibulaire",
        "es": "torque coronario lingual, torque coronario palatino, torque coronal lingual, "
        "torque radicular vestibular",
        "pt": "torque coronário lingual, torque coronário palatino, torque lingual de coroa, "
        "torque palatino de coroa, torque vestibular de raiz, torque radicular vestibular",
        "it": "torque coronale linguale, torque coronale palatale, torque corono-linguale, "
        "torque radicolare vestibolare, torque radico-vestibolare",
        "sv": "lingual krontorque, palatinal krontorque, labial rottorque, buckal rottorque",
    },
    ("rotation", ""): {
        "en": "derotation, de-rotation, axial rotation, tooth rotation",
        "de": "Rotation, Rotationen, Drehung, Derotation, Rotationsbewegung",
        "fr": "rotation, rotations, dérotation, rotation axiale",
        "es": "rotación, rotaciones, desrotación, giroversión",
        "pt": "rotação, rotações, desrotação, giroversão",
        "it": "rotazione, rotazioni, derotazione",
        "sv": "rotation, rotationer, derotation",
    },
}

#: The directions that a word means -> language -> words. A word stands for one group alone.
DIRECTION_NAMES: dict[tuple[tuple[str, str], ...], dict[str, str]] = {
    (("mesiodistal", "mesial"), ("tip", "mesial tip")): {
        "en": "mesial, mesially, mesialward, mesialwards, to mesial",
        "de": "mesial, nach mesial, mesialwärts",
        "fr": "mésial, mésiale, mésialement, vers mésial, en mésial",
        "es": "mesial, hacia mesial, a mesial",
        "pt": "mesial, para mesial",
        "it": "mesiale, mesialmente, verso mesiale",
        "sv": "mesial, mesialt, åt mesialt",
    },
    (("mesiodistal", "distal"), ("tip", "distal tip")): {
        "en": "distal, distally, distalward, distalwards, to distal",
        "de": "distal, nach distal, distalwärts",
        "fr": "distal, distale, distalement, vers distal, en distal",
        "es": "distal, hacia distal, a distal",
        "pt": "distal, para distal",
        "it": "distale, distalmente, verso distale",
        "sv": "distal, distalt, åt distalt",
    },
    (("buccolingual", "buccal"), ("torque", "buccal torque")): {
        "en": "buccal, buccally, labial, labially, facial, facially, vestibular, proclination, "
        "proclined, protrusion",
        "de": "bukkal, nach bukkal, labial, nach labial, vestibulär, nach vestibulär, fazial, "
        "Proklination, Protrusion",
        "fr": "vestibulaire, vestibulairement, vers vestibulaire, en vestibulaire, labial, labiale, "
        "vestibuloversion, vestibulo-version, vestibulisation",
        "es": "vestibular, hacia vestibular, bucal, hacia bucal, labial, vestibularización, "
        "vestibuloversión, proinclinación, proclinación, protrusión",
        "pt": "vestibular, para vestibular, bucal, labial, vestibularização, vestibuloversão, "
        "proclinação, protrusão",
        "it": "vestibolare, verso vestibolare, buccale, labiale, vestibolarizzazione, "
        "vestiboloversione, proclinazione, proinclinazione, protrusione",
        "sv": "buckal, buckalt, labial, labialt, facialt, vestibulärt, proklination, protrusion",
    },
    (("buccolingual", "lingual"), ("torque", "lingual torque")): {
        "en": "lingual, lingually, palatal, palatally, retroclination, retroclined, retrusion",
        "de": "lingual, nach lingual, palatinal, nach palatinal, palatal, oral, nach oral, "
        "Retroklination, Reklination, Retrusion",
        "fr": "lingual, linguale, vers lingual, en lingual, palatin, palatine, en palatin, palatal, "
        "linguoversion, linguo-version, palatoversion, lingualisation",
        "es": "lingual, hacia lingual, palatino, hacia palatino, palatal, lingualización, "
        "palatinización, linguoversión, retroinclinación, retroclinación, retrusión",
        "pt": "lingual, para lingual, palatino, para palatino, palatal, lingualização, "
        "palatinização, linguoversão, retroclinação, retrusão",
        "it": "linguale, verso linguale, palatale, palatino, verso palatale, lingualizzazione, "
        "palatalizzazione, linguoversione, retroclinazione, retroinclinazione, retrusione",
        "sv": "lingual, lingualt, palatinal, palatinalt, palatalt, oralt, retroklination, retrusion",
    },
    (("vertical", "extrusion"),): {
        "en": "extrude, extruded, extrusive, occlusal, occlusally, incisal, coronal",
        "de": "extrudieren, extrudiert, okklusal, nach okklusal, inzisal, nach inzisal",
        "fr": "extrudé, extrudée, occlusal, occlusale, vers occlusal",
        "es": "extruir, extruido, extruida, oclusal, hacia oclusal",
        "pt": "extruir, extruído, extruída, oclusal, para oclusal",
        "it": "estrudere, estruso, estrusa, occlusale, verso occlusale",
        "sv": "extrudera, extruderad, extruderas, ocklusalt, ocklusal",
    },
    (("vertical", "intrusion"),): {
        "en": "intrude, intruded, intrusive, gingival, gingivally, apical, apically",
        "de": "intrudieren, intrudiert, gingival, nach gingival, apikal, nach apikal",
        "fr": "ingressé, intrusé, gingival, gingivale, apical, apicale, vers apical",
        "es": "intruir, intruido, intruida, gingival, apical, hacia apical",
        "pt": "intruir, intruído, intruída, gengival, apical, para apical",
        "it": "intrudere, intruso, intrusa, gengivale, apicale, verso apicale",
        "sv": "intrudera, intruderad, intruderas, gingivalt, apikalt",
    },
    (("rotation", "mesial surface outwards"),): {
        "en": "mesiobuccal, mesio-buccal, mesiolabial, mesio-labial, mesiofacial, mesial out, "
        "mesial outwards, distolingual, disto-lingual, distopalatal, distal in",
        "de": "mesiobukkal, mesio-bukkal, mesiolabial, mesiovestibulär, mesial nach außen, "
        "distolingual, distopalatinal, distal nach innen",
        "fr": "mésio-vestibulaire, mésiovestibulaire, disto-lingual, distolingual, disto-palatin",
        "es": "mesiovestibular, mesio-vestibular, mesiobucal, distolingual, disto-lingual, "
        "distopalatino",
        "pt": "mesiovestibular, mésio-vestibular, distolingual, disto-lingual, distopalatino",
        "it": "mesiovestibolare, mesio-vestibolare, distolinguale, disto-linguale, distopalatale",
        "sv": "mesiobuckal, mesiobuckalt, mesiolabialt, distolingual, distolingualt, "
        "distopalatinalt",
    },
    (("rotation", "mesial surface inwards"),): {
        "en": "mesiolingual, mesio-lingual, mesiopalatal, mesio-palatal, mesial in, mesial inwards, "
        "distobuccal, disto-buccal, distolabial, distofacial, distal out",
        "de": "mesiolingual, mesio-lingual, mesiopalatinal, mesial nach innen, distobukkal, "
        "disto-bukkal, distolabial, distovestibulär, distal nach außen",
        "fr": "mésio-lingual, mésiolingual, mésio-palatin, disto-vestibulaire, distovestibulaire",
        "es": "mesiolingual, mesio-lingual, mesiopalatino, distovestibular, disto-vestibular, "
        "distobucal",
        "pt": "mesiolingual, mésio-lingual, mesiopalatino, distovestibular, disto-vestibular",
        "it": "mesiolinguale, mesio-linguale, mesiopalatale, distovestibolare, disto-vestibolare",
        "sv": "mesiolingual, mesiolingualt, mesiopalatinalt, distobuckal, distobuckalt, "
        "distolabialt",
    },
}

#: Code of the schema -> language -> words.
ATTACHMENT_NAMES: dict[str, dict[str, str]] = {
    "none": {
        "en": "none, no, without, no attachment, no attachments",
        "de": "kein, keine, keines, keins, ohne, nein, kein Attachment, ohne Attachment",
        "fr": "aucun, aucune, sans, non, sans attachement, sans taquet, pas d'attachement",
        "es": "ninguno, ninguna, sin, sin aditamento, sin atache, no",
        "pt": "nenhum, nenhuma, sem, sem attachment, não",
        "it": "nessuno, nessuna, senza, senza attacco, no",
        "sv": "ingen, inget, inga, utan, utan attachment, utan fäste, nej",
    },
    "rectangular": {
        "en": "rectangular attachment",
        "de": "rechteckig, rechteckiges Attachment, Rechteck",
        "fr": "rectangulaire, taquet rectangulaire, attachement rectangulaire",
        "es": "rectangular, aditamento rectangular",
        "pt": "retangular, rectangular, attachment retangular",
        "it": "rettangolare, attacco rettangolare",
        "sv": "rektangulär, rektangulärt, rektangel",
    },
    "bevelled": {
        "en": "bevelled attachment, beveled attachment",
        "de": "abgeschrägt, schräg, abgeschrägtes Attachment",
        "fr": "biseauté, biseautée, taquet biseauté",
        "es": "biselado, biselada, aditamento biselado",
        "pt": "biselado, biselada, chanfrado, attachment biselado",
        "it": "smussato, smussata, bisellato, attacco smussato",
        "sv": "avfasad, avfasat",
    },
    "ellipsoid": {
        "en": "ellipsoid attachment, elliptical",
        "de": "ellipsoid, elliptisch, Ellipsoid",
        "fr": "ellipsoïde, ellipsoïdal, ellipsoïdale, elliptique",
        "es": "elipsoide, elipsoidal, elíptico",
        "pt": "elipsoide, elipsoidal, elíptico",
        "it": "ellissoide, ellissoidale, ellittico",
        "sv": "ellipsoid, elliptisk, elliptiskt",
    },
}

ARCH_NAMES: dict[str, dict[str, str]] = {
    "upper": {
        "en": "upper, upper arch, upper jaw, maxilla, maxillary, maxillary arch",
        "de": "Oberkiefer, OK, oben, oberer, obere, oberer Zahnbogen, Maxilla, maxillär",
        "fr": "maxillaire, arcade maxillaire, arcade supérieure, supérieur, supérieure, haut",
        "es": "superior, arcada superior, maxilar superior, maxilar, arriba",
        "pt": "superior, arcada superior, maxila, maxilar superior",
        "it": "superiore, arcata superiore, mascellare, mascella, mascellare superiore",
        "sv": "överkäke, överkäken, ÖK, övre, maxilla",
    },
    "lower": {
        "en": "lower, lower arch, lower jaw, mandible, mandibular, mandibular arch",
        "de": "Unterkiefer, UK, unten, unterer, untere, unterer Zahnbogen, Mandibula, mandibulär",
        "fr": "mandibule, mandibulaire, arcade mandibulaire, arcade inférieure, inférieur, "
        "inférieure, bas",
        "es": "inferior, arcada inferior, mandíbula, mandibular, maxilar inferior, abajo",
        "pt": "inferior, arcada inferior, mandíbula, mandibular",
        "it": "inferiore, arcata inferiore, mandibola, mandibolare",
        "sv": "underkäke, underkäken, UK, undre, nedre, mandibel, mandibula",
    },
}

SIDE_NAMES: dict[str, dict[str, str]] = {
    "right": {
        "en": "right, right side, R, rt",
        "de": "rechts, rechte Seite, rechte, R, re.",
        "fr": "droite, droit, côté droit, D",
        "es": "derecha, derecho, lado derecho, dcha., D",
        "pt": "direita, direito, lado direito, D",
        "it": "destra, destro, lato destro, dx, D",
        "sv": "höger, höger sida, hö",
    },
    "left": {
        "en": "left, left side, L, lt",
        "de": "links, linke Seite, linke, L, li.",
        "fr": "gauche, côté gauche, G",
        "es": "izquierda, izquierdo, lado izquierdo, izda., izq.",
        "pt": "esquerda, esquerdo, lado esquerdo, esq.",
        "it": "sinistra, sinistro, lato sinistro, sx, sin.",
        "sv": "vänster, vänster sida, vä",
    },
}

#: Words that number a course, beside the headings of the column course.
ORDINALS: dict[int, str] = {
    1: "first, erste, erster, première, premier, primera, primeira, prima, första",
    2: "second, zweite, zweiter, deuxième, seconde, segunda, seconda, andra",
    3: "third, dritte, dritter, troisième, tercera, terceira, terza, tredje",
    4: "fourth, vierte, vierter, quatrième, cuarta, quarta, fjärde",
    5: "fifth, fünfte, fünfter, cinquième, quinta, femte",
}
