"""The birds: scientific names, common names, and the regions to whose gardens they may come. Pure data.

Self-made: regions, other names and older names were written from memory for this project, for gardens,
feeders and ponds; no list was copied. A line is a bird: scientific names, the newest first | common names,
the first as the species model says it, then those of the other side of the Atlantic and shorter ones |
regions, by the letters that `garden_birds` explains. A bird without one is on no list.

Longer than most modules: a table, a line for each bird.
"""

TABLE = """
Acanthis flammea, Carduelis flammea | common redpoll, redpoll, lesser redpoll | EWU
Accipiter cooperii, Astur cooperii | cooper's hawk | EW
Accipiter gentilis | northern goshawk |
Accipiter nisus | eurasian sparrowhawk, sparrowhawk | U
Accipiter striatus | sharp-shinned hawk | EW
Acridotheres tristis | common myna |
Actitis hypoleucos | common sandpiper |
Actitis macularius | spotted sandpiper |
Actophilornis africanus | african jacana |
Aechmophorus clarkii | clark's grebe |
Aechmophorus occidentalis | western grebe |
Aegithalos caudatus | long-tailed tit | U
Aegolius acadicus | northern saw-whet owl |
Aeronautes saxatalis | white-throated swift |
Agelaius phoeniceus | red-winged blackbird | EW
Agelaius tricolor | tricolored blackbird |
Aimophila ruficeps | rufous-crowned sparrow |
Aix galericulata | mandarin duck | U
Aix sponsa | wood duck | EW
Alauda arvensis | eurasian skylark |
Alca torda | razorbill |
Alcedo atthis | common kingfisher, kingfisher, eurasian kingfisher | U
Alectoris chukar | chukar |
Alectoris rufa | red-legged partridge | U
Alectura lathami | australian brushturkey |
Alisterus scapularis | australian king-parrot |
Alopochen aegyptiaca | egyptian goose |
Amaurornis phoenicurus | white-breasted waterhen |
Amazilia beryllina | berylline hummingbird |
Amazilia rutila | cinnamon hummingbird |
Amazilia tzacatl | rufous-tailed hummingbird |
Amazilia violiceps | violet-crowned hummingbird |
Amazilia yucatanensis | buff-bellied hummingbird |
Amazona albifrons | white-fronted parrot |
Amazona autumnalis | red-lored parrot |
Amazona oratrix | yellow-headed parrot |
Amazona viridigenalis | red-crowned parrot |
Ammodramus maritimus | seaside sparrow |
Ammodramus nelsoni | nelson's sparrow |
Ammodramus savannarum | grasshopper sparrow |
Amphispiza bilineata | black-throated sparrow | W
Anas acuta | northern pintail |
Anas bahamensis | white-cheeked pintail |
Anas chlorotis | brown teal |
Anas crecca | green-winged teal |
Anas fulvigula | mottled duck |
Anas gracilis | grey teal |
Anas platyrhynchos | mallard, mallard duck | EWU
Anas rubripes | american black duck |
Anas superciliosa | pacific black duck |
Anastomus lamelligerus | african openbill |
Anhinga anhinga | anhinga |
Anhinga novaehollandiae | australasian darter |
Anhinga rufa | african darter |
Anous stolidus | brown noddy |
Anser albifrons | greater white-fronted goose |
Anser anser | greylag goose | U
Anser caerulescens, Chen caerulescens | snow goose |
Anser cygnoides | swan goose |
Anser rossii, Chen rossii | ross's goose |
Anthornis melanura | new zealand bellbird |
Anthus novaeseelandiae | new zealand pipit |
Anthus pratensis | meadow pipit |
Anthus rubescens | american pipit |
Antigone canadensis | sandhill crane |
Aphelocoma californica | california scrub-jay, scrub jay, western scrub-jay | W
Aphelocoma coerulescens | florida scrub-jay, scrub jay | E
Aphelocoma wollweberi | mexican jay | W
Aphelocoma woodhouseii | woodhouse's scrub-jay, scrub jay, western scrub-jay | W
Apus apus | common swift, swift | U
Aquila chrysaetos | golden eagle |
Ara macao | scarlet macaw |
Ara militaris | military macaw |
Aramides cajaneus | gray-necked wood-rail |
Aramus guarauna | limpkin |
Aratinga nenday | nanday parakeet |
Archilochus alexandri | black-chinned hummingbird | W
Archilochus colubris | ruby-throated hummingbird | E
Ardea alba | great egret |
Ardea cinerea | grey heron | U
Ardea cocoi | cocoi heron |
Ardea herodias | great blue heron | EW
Ardea purpurea | purple heron |
Ardenna creatopus | pink-footed shearwater |
Ardenna gravis | great shearwater |
Ardeola ralloides | squacco heron |
Ardeotis kori | kori bustard |
Arenaria interpres | ruddy turnstone |
Arenaria melanocephala | black turnstone |
Arremonops rufivirgatus | olive sparrow |
Artemisiospiza belli | bell's sparrow |
Asio flammeus | short-eared owl |
Asio otus | long-eared owl | U
Athene cunicularia | burrowing owl |
Athene noctua | little owl | U
Aulacorhynchus prasinus | emerald toucanet |
Auriparus flaviceps | verdin | W
Aythya affinis | lesser scaup |
Aythya americana | redhead |
Aythya collaris | ring-necked duck |
Aythya ferina | common pochard |
Aythya fuligula | tufted duck |
Aythya marila | greater scaup, scaup |
Aythya novaeseelandiae | new zealand scaup |
Aythya valisineria | canvasback |
Baeolophus atricristatus | black-crested titmouse | EW
Baeolophus bicolor | tufted titmouse | E
Baeolophus inornatus | oak titmouse | W
Balearica regulorum | grey crowned crane |
Bartramia longicauda | upland sandpiper |
Basileuterus rufifrons | rufous-capped warbler |
Bombycilla cedrorum | cedar waxwing | EW
Bombycilla garrulus | bohemian waxwing, waxwing | EWU
Bonasa umbellus | ruffed grouse | EW
Bostrychia hagedash | hadada ibis |
Botaurus lentiginosus | american bittern |
Branta bernicla | brant, brent goose |
Branta canadensis | canada goose | EWU
Branta hutchinsii | cackling goose |
Branta leucopsis | barnacle goose |
Branta sandvicensis | hawaiian goose |
Bubo scandiacus | snowy owl |
Bubo virginianus | great horned owl | EW
Bubulcus ibis | cattle egret |
Bucephala albeola | bufflehead |
Bucephala clangula | common goldeneye |
Bucephala islandica | barrow's goldeneye |
Bucorvus leadbeateri | southern ground-hornbill |
Busarellus nigricollis | black-collared hawk |
Buteo albonotatus | zone-tailed hawk |
Buteo brachyurus | short-tailed hawk |
Buteo buteo | common buzzard, buzzard | U
Buteo jamaicensis | red-tailed hawk | EW
Buteo lagopus | rough-legged hawk, rough-legged buzzard |
Buteo lineatus | red-shouldered hawk | EW
Buteo plagiatus | gray hawk |
Buteo platypterus | broad-winged hawk |
Buteo regalis | ferruginous hawk |
Buteo swainsoni | swainson's hawk |
Buteogallus anthracinus | common black hawk |
Butorides striata | striated heron |
Butorides virescens | green heron |
Cacatua galerita | sulphur-crested cockatoo |
Cairina moschata | muscovy duck |
Calamospiza melanocorys | lark bunting |
Calcarius lapponicus | lapland longspur |
Calidris alba | sanderling |
Calidris alpina | dunlin |
Calidris bairdii | baird's sandpiper |
Calidris canutus | red knot |
Calidris ferruginea | curlew sandpiper |
Calidris fuscicollis | white-rumped sandpiper |
Calidris himantopus | stilt sandpiper |
Calidris maritima | purple sandpiper |
Calidris mauri | western sandpiper |
Calidris melanotos | pectoral sandpiper |
Calidris minutilla | least sandpiper |
Calidris pugnax | ruff |
Calidris pusilla | semipalmated sandpiper |
Calidris subruficollis | buff-breasted sandpiper |
Calidris virgata | surfbird |
Callipepla californica | california quail | W
Callipepla gambelii | gambel's quail | W
Callipepla squamata | scaled quail | W
Calocitta colliei | black-throated magpie-jay |
Calocitta formosa | white-throated magpie-jay |
Calothorax lucifer | lucifer hummingbird |
Calypte anna | anna's hummingbird | W
Calypte costae | costa's hummingbird | W
Campephilus guatemalensis | pale-billed woodpecker |
Camptostoma imberbe | northern beardless-tyrannulet |
Campylopterus hemileucurus | violet sabrewing |
Campylorhynchus brunneicapillus | cactus wren | W
Campylorhynchus rufinucha | rufous-naped wren |
Caracara cheriway | crested caracara |
Caracara plancus | southern caracara |
Cardellina canadensis | canada warbler |
Cardellina pusilla | wilson's warbler | EW
Cardellina rubra | red warbler |
Cardinalis cardinalis | northern cardinal, cardinal | EW
Cardinalis sinuatus | pyrrhuloxia | W
Carduelis carduelis | european goldfinch, goldfinch, eurasian goldfinch | U
Cassiculus melanicterus | yellow-winged cacique |
Cathartes aura | turkey vulture |
Cathartes burrovianus | lesser yellow-headed vulture |
Catharus fuscescens | veery |
Catharus guttatus | hermit thrush | EW
Catharus minimus | gray-cheeked thrush |
Catharus ustulatus | swainson's thrush | EW
Catherpes mexicanus | canyon wren |
Cepphus columba | pigeon guillemot |
Cepphus grylle | black guillemot |
Cerorhinca monocerata | rhinoceros auklet |
Certhia americana | brown creeper | EW
Certhia brachydactyla | short-toed treecreeper | U
Certhia familiaris | eurasian treecreeper, treecreeper | U
Ceryle rudis | pied kingfisher |
Chaetura pelagica | chimney swift |
Chaetura vauxi | vaux's swift |
Chamaea fasciata | wrentit | W
Charadrius dubius | little ringed plover |
Charadrius hiaticula | common ringed plover |
Charadrius melodus | piping plover |
Charadrius montanus | mountain plover |
Charadrius nivosus | snowy plover |
Charadrius semipalmatus | semipalmated plover |
Charadrius vociferus | killdeer |
Charadrius wilsonia | wilson's plover |
Chenonetta jubata | australian wood duck |
Chlidonias niger | black tern |
Chloris chloris, Carduelis chloris | european greenfinch, greenfinch | U
Chloroceryle aenea | american pygmy kingfisher |
Chloroceryle amazona | amazon kingfisher |
Chloroceryle americana | green kingfisher |
Chlorophanes spiza | green honeycreeper |
Chondestes grammacus | lark sparrow | EW
Chordeiles acutipennis | lesser nighthawk |
Chordeiles minor | common nighthawk |
Chroicocephalus novaehollandiae | silver gull |
Chroicocephalus philadelphia | bonaparte's gull |
Chroicocephalus ridibundus, Larus ridibundus | black-headed gull | U
Chroicocephalus scopulinus | red-billed gull |
Ciccaba virgata | mottled owl |
Ciconia ciconia | white stork |
Cinclus cinclus | white-throated dipper |
Cinclus mexicanus | american dipper |
Cinnyris jugularis | olive-backed sunbird |
Circaetus gallicus | short-toed snake-eagle |
Circus aeruginosus | western marsh-harrier, marsh harrier | U
Circus approximans | swamp harrier |
Circus cyaneus | northern harrier, hen harrier |
Cistothorus palustris | marsh wren |
Cistothorus platensis | sedge wren |
Clangula hyemalis | long-tailed duck, oldsquaw |
Coccothraustes coccothraustes | hawfinch | U
Coccothraustes vespertinus, Hesperiphona vespertina | evening grosbeak | EW
Coccyzus americanus | yellow-billed cuckoo |
Coccyzus erythropthalmus | black-billed cuckoo |
Coccyzus minor | mangrove cuckoo |
Cochlearius cochlearius | boat-billed heron |
Coereba flaveola | bananaquit |
Colaptes auratus | northern flicker, flicker | EW
Colaptes rubiginosus | golden-olive woodpecker |
Colinus virginianus | northern bobwhite | E
Columba livia | rock pigeon, feral pigeon, rock dove, pigeon | EWU
Columba oenas | stock dove | U
Columba palumbus | common wood-pigeon, woodpigeon, wood pigeon, common woodpigeon | U
Columbina inca | inca dove | EW
Columbina passerina | common ground-dove | EW
Columbina talpacoti | ruddy ground-dove |
Contopus cooperi | olive-sided flycatcher |
Contopus pertinax | greater pewee |
Contopus sordidulus | western wood-pewee |
Contopus virens | eastern wood-pewee |
Copsychus malabaricus | white-rumped shama |
Copsychus saularis | oriental magpie-robin |
Coracias benghalensis | indian roller |
Coracias caudatus | lilac-breasted roller |
Coracias garrulus | european roller |
Coragyps atratus | black vulture |
Corvus albus | pied crow |
Corvus brachyrhynchos | american crow | EW
Corvus caurinus | northwestern crow |
Corvus corax | common raven, raven | EWU
Corvus cornix | hooded crow | U
Corvus corone | carrion crow | U
Corvus frugilegus | rook | U
Corvus monedula, Coloeus monedula | eurasian jackdaw, jackdaw, western jackdaw | U
Corvus ossifragus | fish crow | E
Corvus splendens | house crow |
Crax rubra | great curassow |
Crotophaga ani | smooth-billed ani |
Crotophaga sulcirostris | groove-billed ani |
Cuculus canorus | common cuckoo, cuckoo | U
Cyanerpes cyaneus | red-legged honeycreeper |
Cyanistes caeruleus, Parus caeruleus | eurasian blue tit, blue tit | U
Cyanocitta cristata | blue jay | EW
Cyanocitta stelleri | steller's jay | W
Cyanocompsa parellina | blue bunting |
Cyanocorax yncas, Cyanocorax luxuosus | green jay | EW
Cyanocorax yucatanicus | yucatan jay |
Cyanoramphus novaezelandiae | red-crowned parakeet |
Cygnus atratus | black swan |
Cygnus buccinator | trumpeter swan |
Cygnus columbianus | tundra swan |
Cygnus cygnus | whooper swan |
Cygnus olor | mute swan |
Cynanthus latirostris | broad-billed hummingbird |
Cyrtonyx montezumae | montezuma quail |
Dacelo novaeguineae | laughing kookaburra |
Delichon urbicum | common house-martin, house martin, common house martin | U
Dendragapus fuliginosus | sooty grouse |
Dendragapus obscurus | dusky grouse |
Dendrocopos major | great spotted woodpecker | U
Dendrocopos syriacus | syrian woodpecker | U
Dendrocygna autumnalis | black-bellied whistling-duck |
Dendrocygna bicolor | fulvous whistling-duck |
Dendrocygna viduata | white-faced whistling duck |
Dicrurus adsimilis | fork-tailed drongo |
Diglossa baritula | cinnamon-bellied flowerpiercer |
Dives dives | melodious blackbird |
Dolichonyx oryzivorus | bobolink |
Dryobates albolarvatus, Picoides albolarvatus, Leuconotopicus albolarvatus | white-headed woodpecker | W
Dryobates nuttallii, Picoides nuttallii | nuttall's woodpecker | W
Dryobates pubescens, Picoides pubescens | downy woodpecker | EW
Dryobates scalaris, Picoides scalaris | ladder-backed woodpecker | W
Dryobates villosus, Picoides villosus, Leuconotopicus villosus | hairy woodpecker | EW
Dryocopus lineatus | lineated woodpecker |
Dryocopus pileatus | pileated woodpecker | EW
Dumetella carolinensis | gray catbird, catbird | EW
Egretta caerulea | little blue heron |
Egretta garzetta | little egret |
Egretta gularis | western reef-heron |
Egretta novaehollandiae | white-faced heron |
Egretta rufescens | reddish egret |
Egretta sacra | pacific reef-heron |
Egretta thula | snowy egret |
Egretta tricolor | tricolored heron |
Elanoides forficatus | swallow-tailed kite |
Elanus leucurus | white-tailed kite |
Emberiza calandra | corn bunting |
Emberiza citrinella | yellowhammer | U
Emberiza schoeniclus | reed bunting | U
Empidonax difficilis | pacific-slope flycatcher |
Empidonax fulvifrons | buff-breasted flycatcher |
Empidonax hammondii | hammond's flycatcher |
Empidonax minimus | least flycatcher |
Empidonax occidentalis | cordilleran flycatcher |
Empidonax traillii | willow flycatcher |
Eolophus roseicapilla | galah |
Ephippiorhynchus senegalensis | saddle-billed stork |
Eremophila alpestris | horned lark, shore lark |
Erithacus rubecula | european robin, robin, robin redbreast | U
Estrilda astrild | common waxbill |
Eudocimus albus | white ibis |
Eudyptula minor | little penguin |
Eugenes fulgens | magnificent hummingbird |
Eumomota superciliosa | turquoise-browed motmot |
Euphagus carolinus | rusty blackbird |
Euphagus cyanocephalus | brewer's blackbird | EW
Euphonia affinis | scrub euphonia |
Euphonia elegantissima | elegant euphonia |
Euphonia hirundinacea | yellow-throated euphonia |
Eupsittula canicularis | orange-fronted parakeet |
Eupsittula nana | olive-throated parakeet |
Falcipennis canadensis | spruce grouse |
Falco columbarius | merlin |
Falco femoralis | aplomado falcon |
Falco mexicanus | prairie falcon |
Falco novaeseelandiae | new zealand falcon |
Falco peregrinus | peregrine falcon |
Falco rufigularis | bat falcon |
Falco sparverius | american kestrel, kestrel | EW
Falco subbuteo | eurasian hobby |
Falco tinnunculus | rock kestrel, kestrel, common kestrel, eurasian kestrel | U
Ficedula hypoleuca | european pied flycatcher, pied flycatcher | U
Florisuga mellivora | white-necked jacobin |
Francolinus pondicerianus | grey francolin |
Fratercula arctica | atlantic puffin |
Fratercula cirrhata | tufted puffin |
Fregata magnificens | magnificent frigatebird |
Fregata minor | great frigatebird |
Fringilla coelebs | common chaffinch, chaffinch | U
Fringilla montifringilla | brambling | U
Fulica americana | american coot |
Fulica atra | eurasian coot, coot, common coot | U
Fulmarus glacialis | northern fulmar |
Galbula ruficauda | rufous-tailed jacamar |
Galerida cristata | crested lark |
Gallinago delicata | wilson's snipe |
Gallinago gallinago | common snipe |
Gallinula chloropus | eurasian moorhen, moorhen | U
Gallinula galeata | common gallinule |
Gallinula tenebrosa | dusky moorhen |
Gallirallus australis | weka |
Gallus gallus | red junglefowl |
Garrulus glandarius | eurasian jay, jay | U
Gavia immer | common loon, great northern diver |
Gavia pacifica | pacific loon, pacific diver |
Gavia stellata | red-throated loon, red-throated diver |
Gelochelidon nilotica | gull-billed tern |
Geococcyx californianus | greater roadrunner, roadrunner | W
Geococcyx velox | lesser roadrunner |
Geopelia striata | zebra dove |
Geothlypis formosa | kentucky warbler |
Geothlypis philadelphia | mourning warbler |
Geothlypis tolmiei | macgillivray's warbler |
Geothlypis trichas | common yellowthroat | EW
Geranoaetus albicaudatus | white-tailed hawk |
Gerygone igata | gray gerygone |
Glaucidium brasilianum | ferruginous pygmy-owl |
Glaucidium gnoma | northern pygmy-owl |
Grallina cyanoleuca | magpie-lark |
Grus americana | whooping crane |
Grus grus | common crane |
Gygis alba | white tern |
Gymnogyps californianus | california condor |
Gymnorhina tibicen | australian magpie |
Gyps africanus | white-backed vulture |
Gyps fulvus | eurasian griffon |
Haematopus bachmani | black oystercatcher |
Haematopus finschi | south island oystercatcher |
Haematopus ostralegus | eurasian oystercatcher |
Haematopus palliatus | american oystercatcher |
Haematopus unicolor | variable oystercatcher |
Haemorhous cassinii, Carpodacus cassinii | cassin's finch | W
Haemorhous mexicanus, Carpodacus mexicanus | house finch | EW
Haemorhous purpureus, Carpodacus purpureus | purple finch | EW
Halcyon smyrnensis | white-throated kingfisher |
Haliaeetus leucocephalus | bald eagle |
Haliaeetus leucogaster | white-bellied sea-eagle |
Haliaeetus vocifer | african fish-eagle |
Haliastur indus | brahminy kite |
Helmitheros vermivorum | worm-eating warbler |
Hemiphaga novaeseelandiae | new zealand pigeon |
Herpetotheres cachinnans | laughing falcon |
Himantopus himantopus | black-winged stilt |
Himantopus leucocephalus | pied stilt |
Himantopus mexicanus | black-necked stilt |
Hirundo neoxena | welcome swallow |
Hirundo rustica | barn swallow, swallow | EWU
Histrionicus histrionicus | harlequin duck |
Hydroprogne caspia | caspian tern |
Hylocharis leucotis | white-eared hummingbird |
Hylocichla mustelina | wood thrush | E
Hymenolaimus malacorhynchos | blue duck |
Icteria virens | yellow-breasted chat |
Icterus abeillei | black-backed oriole |
Icterus bullockii | bullock's oriole | W
Icterus cucullatus | hooded oriole | W
Icterus galbula | baltimore oriole | EW
Icterus graduacauda | audubon's oriole |
Icterus gularis | altamira oriole |
Icterus parisorum | scott's oriole | W
Icterus pustulatus | streak-backed oriole |
Icterus spurius | orchard oriole | EW
Icterus wagleri | black-vented oriole |
Ictinia mississippiensis | mississippi kite |
Ixobrychus exilis | least bittern |
Ixoreus naevius | varied thrush | W
Jabiru mycteria | jabiru |
Jacana jacana | wattled jacana |
Jacana spinosa | northern jacana |
Junco hyemalis | dark-eyed junco, junco | EW
Junco phaeonotus | yellow-eyed junco | W
Lagopus lagopus | willow ptarmigan |
Lampornis clemenciae | blue-throated hummingbird |
Lanius collurio | red-backed shrike |
Lanius excubitor | northern shrike, great grey shrike |
Lanius ludovicianus | loggerhead shrike |
Larus argentatus | herring gull, european herring gull | U
Larus californicus | california gull |
Larus canus | mew gull, common gull |
Larus delawarensis | ring-billed gull |
Larus dominicanus | dominican gull |
Larus fuscus | lesser black-backed gull |
Larus glaucescens | glaucous-winged gull |
Larus glaucoides | iceland gull |
Larus heermanni | heermann's gull |
Larus hyperboreus | glaucous gull |
Larus livens | yellow-footed gull |
Larus marinus | great black-backed gull |
Larus michahellis | yellow-legged gull |
Larus occidentalis | western gull |
Larus thayeri | thayer's gull |
Leiothlypis celata, Oreothlypis celata, Vermivora celata | orange-crowned warbler | EW
Leiothlypis peregrina, Oreothlypis peregrina | tennessee warbler |
Leiothlypis ruficapilla, Oreothlypis ruficapilla, Vermivora ruficapilla | nashville warbler | EW
Leptoptilos crumenifer | marabou stork |
Leptotila verreauxi | white-tipped dove |
Leucophaeus atricilla | laughing gull |
Leucophaeus pipixcan | franklin's gull |
Limnodromus griseus | short-billed dowitcher |
Limnodromus scolopaceus | long-billed dowitcher |
Limosa fedoa | marbled godwit |
Limosa haemastica | hudsonian godwit |
Limosa lapponica | bar-tailed godwit |
Limosa limosa | black-tailed godwit |
Linaria cannabina, Carduelis cannabina | eurasian linnet, linnet | U
Lonchura oryzivora | java sparrow |
Lonchura punctulata | scaly-breasted munia |
Lophodytes cucullatus | hooded merganser |
Lophophanes cristatus, Parus cristatus | crested tit | U
Lophura leucomelanos | kalij pheasant |
Loxia curvirostra | red crossbill, crossbill, common crossbill | EWU
Loxia leucoptera | white-winged crossbill, two-barred crossbill | EW
Luscinia svecica | bluethroat |
Malurus cyaneus | superb fairywren |
Manorina melanocephala | noisy miner |
Mareca americana, Anas americana | american wigeon |
Mareca penelope, Anas penelope | eurasian wigeon |
Mareca strepera, Anas strepera | gadwall |
Megaceryle alcyon | belted kingfisher |
Megaceryle torquata | ringed kingfisher |
Megadyptes antipodes | yellow-eyed penguin |
Megarynchus pitangua | boat-billed flycatcher |
Megascops asio | eastern screech-owl |
Megascops kennicottii | western screech-owl |
Melanerpes aurifrons | golden-fronted woodpecker | EW
Melanerpes carolinus | red-bellied woodpecker | E
Melanerpes chrysogenys | golden-cheeked woodpecker |
Melanerpes erythrocephalus | red-headed woodpecker | E
Melanerpes formicivorus | acorn woodpecker | W
Melanerpes lewis | lewis's woodpecker | W
Melanerpes pucherani | black-cheeked woodpecker |
Melanerpes uropygialis | gila woodpecker | W
Melanitta americana | black scoter |
Melanitta fusca | white-winged scoter, velvet scoter |
Melanitta perspicillata | surf scoter |
Melanotis caerulescens | blue mockingbird |
Meleagris gallopavo | wild turkey, turkey | EW
Meleagris ocellata | ocellated turkey |
Melopsittacus undulatus | budgerigar |
Melospiza georgiana | swamp sparrow |
Melospiza lincolnii | lincoln's sparrow | EW
Melospiza melodia | song sparrow | EW
Melozone aberti | abert's towhee | W
Melozone crissalis, Pipilo crissalis | california towhee | W
Melozone fusca, Pipilo fuscus | canyon towhee | W
Mergus merganser | common merganser, goosander |
Mergus serrator | red-breasted merganser |
Merops apiaster | european bee-eater |
Merops orientalis | green bee-eater |
Merops pusillus | little bee-eater |
Microcarbo melanoleucos | little pied cormorant |
Milvago chimachima | yellow-headed caracara |
Milvus migrans | black kite |
Milvus milvus | red kite |
Mimus gilvus | tropical mockingbird |
Mimus polyglottos | northern mockingbird, mockingbird | EW
Mitrephanes phaeocercus | tufted flycatcher |
Mniotilta varia | black-and-white warbler | E
Molothrus aeneus | bronzed cowbird | EW
Molothrus ater | brown-headed cowbird, cowbird | EW
Momotus coeruliceps | blue-crowned motmot |
Momotus lessonii | lesson's motmot |
Momotus mexicanus | russet-crowned motmot |
Monticola solitarius | blue rock-thrush |
Morus bassanus | northern gannet |
Morus serrator | australasian gannet |
Motacilla aguimp | african pied wagtail |
Motacilla alba | white wagtail, pied wagtail | U
Motacilla cinerea | grey wagtail | U
Motacilla flava | western yellow wagtail |
Muscicapa striata | spotted flycatcher | U
Myadestes townsendi | townsend's solitaire |
Mycteria americana | wood stork |
Mycteria ibis | yellow-billed stork |
Myiarchus cinerascens | ash-throated flycatcher |
Myiarchus crinitus | great crested flycatcher | E
Myiarchus tuberculifer | dusky-capped flycatcher |
Myiarchus tyrannulus | brown-crested flycatcher |
Myioborus miniatus | slate-throated redstart |
Myioborus pictus | painted redstart |
Myiodynastes luteiventris | sulphur-bellied flycatcher |
Myiopsitta monachus | monk parakeet | EU
Myiozetetes similis | social flycatcher |
Nestor meridionalis | new zealand kaka |
Nestor notabilis | kea |
Netta rufina | red-crested pochard |
Ninox novaeseelandiae | morepork |
Notiomystis cincta | stitchbird |
Nucifraga columbiana | clark's nutcracker | W
Numenius americanus | long-billed curlew |
Numenius arquata | eurasian curlew |
Numenius phaeopus | whimbrel |
Numida meleagris | helmeted guineafowl |
Nyctanassa violacea | yellow-crowned night-heron |
Nyctibius jamaicensis | northern potoo |
Nycticorax nycticorax | black-crowned night-heron |
Nyctidromus albicollis | common pauraque |
Oceanites oceanicus | wilson's storm-petrel |
Ocyphaps lophotes | crested pigeon |
Oenanthe oenanthe | northern wheatear |
Onychognathus morio | red-winged starling |
Onychoprion fuscatus | sooty tern |
Opisthocomus hoazin | hoatzin |
Oreoscoptes montanus | sage thrasher |
Oriturus superciliosus | striped sparrow |
Ortalis poliocephala | west mexican chachalaca |
Ortalis vetula | plain chachalaca |
Oxyura jamaicensis | ruddy duck |
Pachyramphus aglaiae | rose-throated becard |
Pandion haliaetus | osprey |
Parabuteo unicinctus | harris's hawk |
Parkesia motacilla | louisiana waterthrush |
Parkesia noveboracensis | northern waterthrush |
Paroaria capitata | yellow-billed cardinal |
Paroaria coronata | red-crested cardinal |
Parus major | great tit | U
Passer domesticus | house sparrow, english sparrow | EWU
Passer italiae | italian sparrow | U
Passer montanus | eurasian tree sparrow, tree sparrow | EU
Passerculus sandwichensis | savannah sparrow |
Passerella iliaca | fox sparrow | EW
Passerina amoena | lazuli bunting | W
Passerina caerulea | blue grosbeak | EW
Passerina ciris | painted bunting | EW
Passerina cyanea | indigo bunting | EW
Passerina leclancherii | orange-breasted bunting |
Passerina versicolor | varied bunting |
Patagioenas fasciata | band-tailed pigeon | W
Patagioenas flavirostris | red-billed pigeon |
Patagioenas leucocephala | white-crowned pigeon |
Pavo cristatus | indian peafowl |
Pelecanus conspicillatus | australian pelican |
Pelecanus erythrorhynchos | american white pelican |
Pelecanus occidentalis | brown pelican |
Pelecanus onocrotalus | great white pelican |
Penelope purpurascens | crested guan |
Periparus ater, Parus ater | coal tit | U
Perisoreus canadensis | gray jay, canada jay | EW
Petrochelidon fulva | cave swallow |
Petrochelidon pyrrhonota | cliff swallow |
Petroica australis | new zealand robin |
Petroica macrocephala | tomtit |
Peucaea ruficauda | stripe-headed sparrow |
Phaethon aethereus | red-billed tropicbird |
Phainopepla nitens | phainopepla | W
Phalacrocorax auritus | double-crested cormorant |
Phalacrocorax brasilianus | neotropic cormorant |
Phalacrocorax carbo | great cormorant |
Phalacrocorax pelagicus | pelagic cormorant |
Phalacrocorax penicillatus | brandt's cormorant |
Phalacrocorax sulcirostris | little black cormorant |
Phalacrocorax varius | pied cormorant |
Phalaenoptilus nuttallii | common poorwill |
Phalaropus fulicarius | red phalarope, grey phalarope |
Phalaropus lobatus | red-necked phalarope |
Phalaropus tricolor | wilson's phalarope |
Pharomachrus mocinno | resplendent quetzal |
Phasianus colchicus | ring-necked pheasant, pheasant, common pheasant | EWU
Pheucticus ludovicianus | rose-breasted grosbeak | EW
Pheucticus melanocephalus | black-headed grosbeak | W
Philesturnus rufusater | north island saddleback |
Phoebastria immutabilis | laysan albatross |
Phoebastria nigripes | black-footed albatross |
Phoenicopterus roseus | greater flamingo |
Phoenicopterus ruber | american flamingo |
Phoenicurus ochruros | black redstart | U
Phoenicurus phoenicurus | common redstart, redstart | U
Phylloscopus collybita | common chiffchaff, chiffchaff | U
Phylloscopus trochilus | willow warbler | U
Piaya cayana | squirrel cuckoo |
Pica hudsonia | black-billed magpie, magpie, american magpie | W
Pica nuttalli | yellow-billed magpie, magpie | W
Pica pica | eurasian magpie, magpie | U
Picoides arcticus | black-backed woodpecker |
Picoides dorsalis | american three-toed woodpecker |
Picus viridis | european green woodpecker, green woodpecker | U
Pinicola enucleator | pine grosbeak | EW
Pipilo chlorurus | green-tailed towhee | W
Pipilo erythrophthalmus | eastern towhee, rufous-sided towhee | E
Pipilo maculatus | spotted towhee, rufous-sided towhee | W
Piranga bidentata | flame-colored tanager |
Piranga flava | hepatic tanager |
Piranga ludoviciana | western tanager | W
Piranga olivacea | scarlet tanager | E
Piranga rubra | summer tanager | EW
Pitangus sulphuratus | great kiskadee |
Platalea ajaja | roseate spoonbill |
Platalea alba | african spoonbill |
Platalea leucorodia | eurasian spoonbill |
Platalea regia | royal spoonbill |
Platycercus elegans | crimson rosella |
Platycercus eximius | eastern rosella |
Plectrophenax nivalis | snow bunting | EW
Plegadis chihi | white-faced ibis |
Plegadis falcinellus | glossy ibis |
Pluvialis dominica | american golden-plover |
Pluvialis fulva | pacific golden-plover |
Pluvialis squatarola | black-bellied plover |
Podiceps auritus | horned grebe, slavonian grebe |
Podiceps cristatus | great crested grebe |
Podiceps grisegena | red-necked grebe |
Podiceps nigricollis | eared grebe, black-necked grebe |
Podilymbus podiceps | pied-billed grebe |
Poecile atricapillus | black-capped chickadee | EW
Poecile carolinensis | carolina chickadee | E
Poecile gambeli | mountain chickadee | W
Poecile montanus, Parus montanus | willow tit | U
Poecile palustris, Parus palustris | marsh tit | U
Poecile rufescens | chestnut-backed chickadee | W
Polioptila caerulea | blue-gray gnatcatcher |
Polioptila melanura | black-tailed gnatcatcher |
Pooecetes gramineus | vesper sparrow |
Porphyrio hochstetteri | south island takahe |
Porphyrio martinicus | purple gallinule |
Porphyrio melanotus | australasian swamphen |
Porphyrio poliocephalus | gray-headed swamphen |
Porzana carolina | sora |
Progne subis | purple martin |
Prosthemadera novaeseelandiae | tui |
Protonotaria citrea | prothonotary warbler |
Prunella modularis | dunnock, hedge sparrow, hedge accentor | U
Psaltriparus minimus | bushtit | W
Psarocolius montezuma | montezuma oropendola |
Psilorhinus morio | brown jay |
Psittacara erythrogenys | red-masked parakeet |
Psittacara holochlorus | green parakeet |
Psittacula krameri, Alexandrinus krameri | rose-ringed parakeet, ring-necked parakeet | U
Pteroglossus torquatus | collared aracari |
Ptiliogonys cinereus | gray silky-flycatcher |
Pycnonotus barbatus | common bulbul |
Pycnonotus cafer | red-vented bulbul |
Pycnonotus jocosus | red-whiskered bulbul |
Pyrocephalus rubinus | vermilion flycatcher | W
Pyrrhocorax graculus | alpine chough |
Pyrrhula pyrrhula | eurasian bullfinch, bullfinch | U
Quiscalus major | boat-tailed grackle | E
Quiscalus mexicanus | great-tailed grackle | EW
Quiscalus niger | greater antillean grackle |
Quiscalus quiscula | common grackle | EW
Rallus crepitans | clapper rail |
Rallus limicola | virginia rail |
Rallus obsoletus | ridgway's rail |
Ramphastos ambiguus | yellow-throated toucan |
Ramphastos sulfuratus | keel-billed toucan |
Ramphocelus passerinii | passerini's tanager |
Recurvirostra americana | american avocet |
Recurvirostra avosetta | pied avocet |
Regulus calendula, Corthylio calendula | ruby-crowned kinglet | EW
Regulus ignicapilla | common firecrest, firecrest | U
Regulus regulus | goldcrest | U
Regulus satrapa | golden-crowned kinglet | EW
Rhipidura fuliginosa | new zealand fantail |
Rhipidura leucophrys | willie wagtail |
Riparia riparia | bank swallow, sand martin |
Rissa tridactyla | black-legged kittiwake |
Rostrhamus sociabilis | snail kite |
Rupornis magnirostris | roadside hawk |
Rynchops niger | black skimmer |
Sagittarius serpentarius | secretary bird |
Salpinctes obsoletus | rock wren | W
Saltator atriceps | black-headed saltator |
Saltator coerulescens | grayish saltator |
Sarcoramphus papa | king vulture |
Saxicola rubetra | whinchat |
Saxicola rubicola | european stonechat |
Sayornis nigricans | black phoebe | W
Sayornis phoebe | eastern phoebe | E
Sayornis saya | say's phoebe | W
Scolopax minor | american woodcock |
Scopus umbretta | hamerkop |
Seiurus aurocapilla | ovenbird |
Selasphorus calliope | calliope hummingbird | W
Selasphorus platycercus | broad-tailed hummingbird | W
Selasphorus rufus | rufous hummingbird | EW
Selasphorus sasin | allen's hummingbird | W
Serinus mozambicus | yellow-fronted canary |
Serinus serinus | european serin, serin | U
Setophaga americana | northern parula | E
Setophaga caerulescens | black-throated blue warbler |
Setophaga castanea | bay-breasted warbler |
Setophaga cerulea | cerulean warbler |
Setophaga chrysoparia | golden-cheeked warbler |
Setophaga citrina | hooded warbler |
Setophaga coronata | yellow-rumped warbler, myrtle warbler, audubon's warbler | EW
Setophaga discolor | prairie warbler |
Setophaga dominica | yellow-throated warbler | E
Setophaga fusca | blackburnian warbler |
Setophaga magnolia | magnolia warbler | E
Setophaga nigrescens | black-throated gray warbler |
Setophaga occidentalis | hermit warbler |
Setophaga palmarum | palm warbler | E
Setophaga pensylvanica | chestnut-sided warbler |
Setophaga petechia | yellow warbler | EW
Setophaga pinus | pine warbler | E
Setophaga ruticilla | american redstart | EW
Setophaga striata | blackpoll warbler |
Setophaga tigrina | cape may warbler |
Setophaga townsendi | townsend's warbler | W
Setophaga virens | black-throated green warbler |
Sialia currucoides | mountain bluebird | W
Sialia mexicana | western bluebird | W
Sialia sialis | eastern bluebird | E
Sicalis flaveola | saffron finch |
Sitta canadensis | red-breasted nuthatch | EW
Sitta carolinensis | white-breasted nuthatch | EW
Sitta europaea | eurasian nuthatch, nuthatch | U
Sitta pusilla | brown-headed nuthatch | E
Sitta pygmaea | pygmy nuthatch | W
Somateria mollissima | common eider |
Spatula clypeata, Anas clypeata | northern shoveler |
Spatula cyanoptera, Anas cyanoptera | cinnamon teal |
Spatula discors, Anas discors | blue-winged teal |
Spatula querquedula, Anas querquedula | garganey |
Spheniscus demersus | african penguin |
Sphyrapicus nuchalis | red-naped sapsucker | W
Sphyrapicus ruber | red-breasted sapsucker | W
Sphyrapicus thyroideus | williamson's sapsucker |
Sphyrapicus varius | yellow-bellied sapsucker | E
Spinus lawrencei | lawrence's goldfinch | W
Spinus pinus | pine siskin | EW
Spinus psaltria | lesser goldfinch | W
Spinus spinus | eurasian siskin, siskin | U
Spinus tristis | american goldfinch, goldfinch | EW
Spiza americana | dickcissel |
Spizella atrogularis | black-chinned sparrow |
Spizella breweri | brewer's sparrow | W
Spizella pallida | clay-colored sparrow | EW
Spizella passerina | chipping sparrow | EW
Spizella pusilla | field sparrow | E
Spizelloides arborea | american tree sparrow | EW
Sporophila torqueola | white-collared seedeater |
Stelgidopteryx serripennis | northern rough-winged swallow |
Stercorarius parasiticus | parasitic jaeger, arctic skua |
Stercorarius pomarinus | pomarine jaeger, pomarine skua |
Sterna forsteri | forster's tern |
Sterna hirundo | common tern |
Sterna paradisaea | arctic tern |
Sterna striata | white-fronted tern |
Sternula antillarum | least tern |
Streptopelia chinensis | spotted dove |
Streptopelia decaocto | eurasian collared-dove, collared dove | EWU
Streptopelia senegalensis | laughing dove |
Streptopelia turtur | european turtle-dove, turtle dove | U
Strix aluco | tawny owl | U
Strix nebulosa | great gray owl |
Strix varia | barred owl | EW
Struthio camelus | common ostrich |
Sturnella magna | eastern meadowlark | E
Sturnella neglecta | western meadowlark | W
Sturnus vulgaris | european starling, starling, common starling | EWU
Sula dactylatra | masked booby |
Sula granti | nazca booby |
Sula leucogaster | brown booby |
Sula nebouxii | blue-footed booby |
Sula sula | red-footed booby |
Surnia ulula | northern hawk owl |
Sylvia atricapilla | eurasian blackcap, blackcap | U
Sylvia communis, Curruca communis | greater whitethroat, whitethroat, common whitethroat | U
Tachybaptus dominicus | least grebe |
Tachybaptus ruficollis | little grebe |
Tachycineta albilinea | mangrove swallow |
Tachycineta bicolor | tree swallow | EW
Tachycineta thalassina | violet-green swallow | W
Tadorna ferruginea | ruddy shelduck |
Tadorna tadorna | common shelduck |
Tadorna variegata | paradise shelduck |
Terathopius ecaudatus | bateleur |
Thalasseus bergii | great crested tern |
Thalasseus elegans | elegant tern |
Thalasseus maximus | royal tern |
Thalasseus sandvicensis | sandwich tern |
Thamnophilus doliatus | barred antshrike |
Thraupis abbas | yellow-winged tanager |
Thraupis episcopus | blue-gray tanager |
Thraupis palmarum | palm tanager |
Threskiornis aethiopicus | african sacred ibis |
Threskiornis moluccus | australian ibis |
Thryomanes bewickii | bewick's wren | W
Thryothorus ludovicianus | carolina wren | E
Tiaris olivaceus | yellow-faced grassquit |
Tigrisoma mexicanum | bare-throated tiger-heron |
Tityra semifasciata | masked tityra |
Todiramphus chloris | collared kingfisher |
Todiramphus sanctus | sacred kingfisher |
Toxostoma curvirostre | curve-billed thrasher | W
Toxostoma longirostre | long-billed thrasher | E
Toxostoma redivivum | california thrasher | W
Toxostoma rufum | brown thrasher | E
Trichoglossus haematodus | rainbow lorikeet |
Tringa flavipes | lesser yellowlegs |
Tringa glareola | wood sandpiper |
Tringa incana | wandering tattler |
Tringa melanoleuca | greater yellowlegs |
Tringa nebularia | common greenshank |
Tringa ochropus | green sandpiper |
Tringa semipalmata | willet |
Tringa solitaria | solitary sandpiper |
Tringa totanus | common redshank |
Troglodytes aedon | house wren | EW
Troglodytes hiemalis | winter wren | E
Troglodytes pacificus | pacific wren | W
Troglodytes troglodytes | eurasian wren, wren, northern wren | U
Trogon caligatus | gartered trogon |
Trogon citreolus | citreoline trogon |
Trogon collaris | collared trogon |
Trogon elegans | elegant trogon |
Trogon massena | slaty-tailed trogon |
Trogon melanocephalus | black-headed trogon |
Turdus grayi | clay-colored thrush |
Turdus iliacus | redwing | U
Turdus merula | eurasian blackbird, blackbird, common blackbird | U
Turdus migratorius | american robin, robin | EW
Turdus philomelos | song thrush | U
Turdus pilaris | fieldfare | U
Turdus plumbeus | red-legged thrush |
Turdus rufopalliatus | rufous-backed robin |
Turdus viscivorus | mistle thrush | U
Tyrannus couchii | couch's kingbird |
Tyrannus crassirostris | thick-billed kingbird |
Tyrannus dominicensis | gray kingbird |
Tyrannus forficatus | scissor-tailed flycatcher | EW
Tyrannus melancholicus | tropical kingbird |
Tyrannus savana | fork-tailed flycatcher |
Tyrannus tyrannus | eastern kingbird | EW
Tyrannus verticalis | western kingbird | W
Tyrannus vociferans | cassin's kingbird |
Tyto alba | barn owl |
Upupa epops | common hoopoe, hoopoe, eurasian hoopoe | U
Uria aalge | common murre, common guillemot |
Vanellus armatus | blacksmith lapwing |
Vanellus chilensis | southern lapwing |
Vanellus miles | masked lapwing |
Vanellus spinosus | spur-winged lapwing |
Vanellus vanellus | northern lapwing |
Vermivora chrysoptera | golden-winged warbler |
Vermivora cyanoptera | blue-winged warbler |
Vireo bellii | bell's vireo |
Vireo cassinii | cassin's vireo |
Vireo flavifrons | yellow-throated vireo |
Vireo gilvus | warbling vireo |
Vireo griseus | white-eyed vireo |
Vireo huttoni | hutton's vireo |
Vireo olivaceus | red-eyed vireo |
Vireo philadelphicus | philadelphia vireo |
Vireo plumbeus | plumbeous vireo |
Vireo solitarius | blue-headed vireo |
Volatinia jacarina | blue-black grassquit |
Xanthocephalus xanthocephalus | yellow-headed blackbird | EW
Xema sabini | sabine's gull |
Xiphorhynchus flavigaster | ivory-billed woodcreeper |
Zenaida asiatica | white-winged dove | EW
Zenaida auriculata | eared dove |
Zenaida aurita | zenaida dove |
Zenaida macroura | mourning dove | EW
Zonotrichia albicollis | white-throated sparrow | EW
Zonotrichia atricapilla | golden-crowned sparrow | W
Zonotrichia capensis | rufous-collared sparrow |
Zonotrichia leucophrys | white-crowned sparrow | EW
Zonotrichia querula | harris's sparrow | EW
Zosterops japonicus | japanese white-eye |
Zosterops lateralis | silvereye |
"""
