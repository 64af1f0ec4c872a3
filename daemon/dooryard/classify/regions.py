"""Which birds may come to a garden, by continent: scientific names. Pure.

The lists are the usual visitors of gardens and feeders, written from memory; tests check them against the
label list of an open classifier. A species whose genus was revised stands under both names. They are a
beginning: a policy may give a list of its own.
"""

from __future__ import annotations

from dooryard.core.errors import ConfigError

_NORTH_AMERICA = """
Accipiter cooperii, Accipiter striatus, Agelaius phoeniceus, Anas platyrhynchos, Archilochus alexandri,
Archilochus colubris, Baeolophus bicolor, Baeolophus inornatus, Bombycilla cedrorum, Branta canadensis,
Bubo virginianus, Buteo jamaicensis, Callipepla californica, Callipepla gambelii, Calypte anna,
Calypte costae, Cardinalis cardinalis, Catharus guttatus, Certhia americana, Chondestes grammacus,
Colaptes auratus, Columba livia, Columbina passerina, Corvus brachyrhynchos, Cyanocitta cristata,
Cyanocitta stelleri, Dryobates pubescens, Dryobates villosus, Dryocopus pileatus, Dumetella carolinensis,
Euphagus cyanocephalus, Falco sparverius, Haemorhous cassinii, Haemorhous mexicanus, Haemorhous purpureus,
Icterus bullockii, Icterus galbula, Icterus spurius, Ixoreus naevius, Junco hyemalis, Melanerpes carolinus,
Melanerpes formicivorus, Meleagris gallopavo, Melospiza melodia, Mimus polyglottos, Molothrus ater,
Passer domesticus, Passerella iliaca, Passerina amoena, Passerina ciris, Passerina cyanea,
Patagioenas fasciata, Pheucticus ludovicianus, Pheucticus melanocephalus, Pica hudsonia, Pipilo chlorurus,
Pipilo erythrophthalmus, Pipilo maculatus, Piranga ludoviciana, Poecile atricapillus, Poecile carolinensis,
Poecile gambeli, Poecile rufescens, Psaltriparus minimus, Quiscalus mexicanus, Quiscalus quiscula,
Regulus calendula, Sayornis nigricans, Sayornis phoebe, Selasphorus rufus, Setophaga coronata,
Setophaga pinus, Sialia currucoides, Sialia mexicana, Sialia sialis, Sitta canadensis, Sitta carolinensis,
Sitta pygmaea, Sphyrapicus varius, Spinus pinus, Spinus psaltria, Spinus tristis, Spizella passerina,
Spizelloides arborea, Streptopelia decaocto, Sturnus vulgaris, Thryomanes bewickii,
Thryothorus ludovicianus, Toxostoma rufum, Troglodytes aedon, Turdus migratorius, Tyrannus tyrannus,
Zenaida asiatica, Zenaida macroura, Zonotrichia albicollis, Zonotrichia atricapilla,
Zonotrichia leucophrys
"""

_EUROPE = """
Accipiter nisus, Aegithalos caudatus, Anas platyrhynchos, Apus apus, Ardea cinerea, Bombycilla garrulus,
Buteo buteo, Carduelis carduelis, Certhia brachydactyla, Certhia familiaris, Chloris chloris,
Coccothraustes coccothraustes, Columba livia, Columba oenas, Columba palumbus, Corvus corone,
Corvus cornix, Corvus frugilegus, Corvus monedula, Cyanistes caeruleus, Delichon urbicum,
Dendrocopos major, Dendrocopos syriacus, Emberiza citrinella, Erithacus rubecula, Falco tinnunculus,
Ficedula hypoleuca, Fringilla coelebs, Fringilla montifringilla, Fulica atra, Gallinula chloropus,
Garrulus glandarius, Hirundo rustica, Larus argentatus, Linaria cannabina, Lophophanes cristatus,
Motacilla alba, Motacilla cinerea, Muscicapa striata, Parus major, Passer domesticus, Passer montanus,
Periparus ater, Phasianus colchicus, Phoenicurus ochruros, Phoenicurus phoenicurus, Phylloscopus collybita,
Phylloscopus trochilus, Pica pica, Picus viridis, Poecile montanus, Poecile palustris, Prunella modularis,
Psittacula krameri, Pyrrhula pyrrhula, Regulus ignicapilla, Regulus regulus, Serinus serinus,
Sitta europaea, Spinus spinus, Streptopelia decaocto, Strix aluco, Sturnus vulgaris, Sylvia atricapilla,
Troglodytes troglodytes, Turdus iliacus, Turdus merula, Turdus philomelos, Turdus pilaris,
Turdus viscivorus, Upupa epops
"""


_OLDER_NAMES = {
    "Dryobates pubescens": "Picoides pubescens",
    "Dryobates villosus": "Picoides villosus",
    "Linaria cannabina": "Carduelis cannabina",
}


def _names(text: str) -> frozenset[str]:
    names = {" ".join(name.split()) for name in text.split(",")}
    return frozenset(names | {older for name, older in _OLDER_NAMES.items() if name in names})


REGIONS = {"north america": _names(_NORTH_AMERICA), "europe": _names(_EUROPE)}


_BOUNDS = {"north america": (15.0, 84.0, -170.0, -50.0), "europe": (34.0, 72.0, -25.0, 45.0)}
ANYWHERE = "anywhere"


def of_place(
    birds: tuple[str, ...] | None, latitude: float | None, longitude: float | None
) -> frozenset[str] | None:
    """Return the scientific names of birds that may be told at a place; None: all.

    `birds` is what the owner says: one region, "anywhere", or a list; None: by degrees north and east, in
    rough bounds of our own. Raises what `region` does.
    """
    if birds == (ANYWHERE,):
        return None
    if birds is not None:
        named = len(birds) == 1 and birds[0].lower() in REGIONS
        return region(birds[0] if named else birds)
    if latitude is None or longitude is None:
        return None
    for name, (south, north, west, east) in _BOUNDS.items():
        if south <= latitude <= north and west <= longitude <= east:
            return REGIONS[name]
    return None


def region(names: str | tuple[str, ...]) -> frozenset[str]:
    """Return the scientific names of a region by its name, or of a list of one's own.

    Raises ConfigError for a region that is not known, or a name that is no scientific one.
    """
    if isinstance(names, str):
        if names.lower() not in REGIONS:
            known = ", ".join(f'"{name}"' for name in REGIONS)
            raise ConfigError(f'there is no list of birds for "{names}"', f"choose {known}, or give a list")
        return REGIONS[names.lower()]
    for name in names:
        words = name.split()
        if len(words) < 2 or not words[0].istitle() or not words[1].islower():
            raise ConfigError(
                f'"{name}" is neither a region nor a scientific name',
                f'write one of {", ".join(REGIONS)}, or a name such as "Erithacus rubecula"',
            )
    return frozenset(names)
