"""Words that tell apart what names a person from what names a thing of the trade.

Written down from general knowledge, no register behind them.
"""

# Common given names and family names. Those that are also words of the trade, plants, animals,
# months or colours are left out: they serve as centre, device and infant codes.
_GIVEN = """
aaron adam adrian agnes ahmed aisha alan albert alejandro alessandro alexander alexandra alice
alicja amelia amina amir anastasia anders andrea andreas andrew angela anita anja anna anne
annika anthony anton antonio arthur astrid barbara beatrice benjamin bernard bertrand birgit
bjorn bogdan brigitte camille carla carlos carmen carol caroline catherine charles charlotte
christian christine christopher clara claire claudia clemens cristina daniel daniela david
deborah diana dieter dimitri dominik donald dorothy eduardo edward elena elisabeth elizabeth
elodie emil emily emma enrique eric erik ernst eva evelyn fatima felix ferdinand fernando filip
fiona florian frances francesca francesco francisco francois frederik friedrich gabriel gabriela
georg george gerhard giovanni giulia giuseppe gregory guillaume gunnar gustav hanna hannah hans
harald harold hassan heinrich helen helena helmut henrik henry hugo ibrahim ines ingrid irene
isabel isabella jacob jacqueline jakob james janina jean jeffrey jennifer jens jessica joachim
joanna johan johanna johannes john jonas jonathan jorge joseph josef judith julia julian
juliette jurgen kamil karen karin karl katarina katharina katherine kathleen katrin kenneth
kevin khadija klaus konrad kristina lars laura lauren laurent leila leonard leonardo linda lisa
lorenzo louise lucas lucia lucie ludwig luigi luisa lukas magdalena maja malgorzata manuel marco
marcus margaret margarita maria marie marina mario marion marta martha martin martina mary
matilda matteo matthew matthias maurice maximilian mehmet melanie michael michal michel michelle
miguel mikael milan miriam mohamed mohammed monika mustafa nadia natalia nathalie nathan
nicholas nicolas nicole niels nikolai nina nora olaf oliver olivia omar oscar pablo pamela paola
patricia patrick paul paula pauline pavel pedro peter petra philip philippe pierre piotr rachel
rafael rainer ralph ramona raymond rebecca renate ricardo richard rita robert roberto roland
roman ronald ruth ryan sabine salma samantha samuel sandra sara sarah sebastian sergei sharon
silvia simon simone sofia sonja sophia sophie stefan stefano stella stephanie stephen steven
susan susanne svenja sven sylvia tanja tatiana teresa theodor theresa thomas timothy tobias
tomasz ulrich ulrike ursula valentina valerie vanessa vera veronica veronika victor victoria
viktor vincent virginia vladimir walter werner wilhelm william wolfgang xavier yasmin yusuf yves
yvonne zofia zuzana
"""
_FAMILY = """
abdullah ackermann ahmad alvarez andersen anderson andersson arnold bakker barbieri bauer becker
bennett berger bergmann bianchi bonnet boucher brandt brooks campbell carlsson carter castillo
cohen colombo conti cooper costa dahl davies davis delgado diaz dietrich dijkstra dubois dupont
durand edwards eriksen eriksson esposito evans fernandez ferrari ferreira fischer fontaine
foster fournier franke friedman garcia garnier gauthier georgiou girard gomez gonzalez graham
greco gruber gutierrez hansen hansson harris hartmann hendriks hernandez herrmann hoffmann
hofmann horvath hughes ivanov jackson jacobs jansen janssen janssens jensen jimenez johansen
johansson johnson jones jorgensen kaiser kaminski karlsson kaufmann keller kelly khan kovac
kowalska kowalski kramer krause kristensen kumar lambert larsen larsson lefebvre lehmann leroy
lewandowski lewis lindberg lindgren lombardi lopez lorenz lundqvist madsen maier marchand marino
martens martinez mayer mcdonald meijer mendez mercier meyer miller mitchell moller morales
moreau moreno moretti morgan morris mulder muller murphy nguyen nielsen nilsson novak nowak
olsen olsson ortiz papadopoulos parker patel pedersen pereira perez petersen peterson petrov
pfeiffer phillips popescu popov poulsen ramirez rasmussen reyes reynolds ricci richter rivera
roberts robinson rodrigues rodriguez romano rossi rossini rousseau russo sanchez santos schmid
schmidt schmitt schmitz schneider schreiber schroder schroeder schulte schultz schulz schumacher
schwarz silva simpson singh smith sorensen souza svensson taylor thompson thomsen torres
vandenberg varga vasquez visser vogel vries wagner walker watson weber weiss werner williams
wilson winkler wisniewski wojcik wright yamamoto yilmaz zimmermann
"""
COMMON_NAMES = frozenset((_GIVEN + _FAMILY).split())

PARTICLES = frozenset({"van", "von", "de", "den", "der", "di", "da", "du", "del", "le", "la"})

# Column names, by what such a column would hold.
NAME_COLUMNS = """
name names surname lastname firstname forename givenname fullname initials maidenname nachname
vorname familienname naam voornaam achternaam nom prenom nombre apellido apellidos nome cognome
imie nazwisko navn fornavn efternavn etternavn fornamn efternamn etunimi sukunimi
"""
BIRTH_COLUMNS = """
dob birthdate birthday born geb geburtsdatum geburtstag geboren geboortedatum naissance nacimiento
nascita nascimento urodzenia fodselsdato fodelsedatum birthyear
"""
ADDRESS_COLUMNS = """
address adresse anschrift adres direccion indirizzo street strasse straat postcode postalcode
zipcode zip plz postleitzahl
"""
TELEPHONE_COLUMNS = """
phone telephone tel telefon telefoon telefono mobile mobil handy fax phonenumber
"""
E_MAIL_COLUMNS = """
email mail mailadresse courriel
"""
NUMBER_COLUMNS = """
ssn bsn nhs nir pesel cpr personnummer ahv mrn passport nino kvnr dni nif insurance patientid
patientnumber hospitalnumber casenumber
"""

# `device_name` names a thing; `mother_name` names a person.
_THINGS = """
center centre channel column device drug file ip mac method model outcome rule sensor signal
site software study table technique test trial unit version
"""
THINGS = frozenset(_THINGS.split())
RELATIVES = frozenset({"mother", "father", "parent", "guardian", "contact", "patient"})

# Words that stand in codes and are no names although they are written like one.
_TRADE = """
active arm assistant awake baby baseline box case center centre check child code cohort control
day decay demo device doctor double evening fellow female final first flow follow followup
discharge admission sedated sedation repeat retest after before
forced group infant lab laboratory male month morning night none nurse observer occlusion
operator other participant patient physician pilot plethysmography preterm pump quiet quietsleep
raised recording room sample screening second session set shift shutter single site sleep staff
student study subject syringe team tech technician term test third tidal trial twin unit unknown
phase visit volume ward week
"""
TRADE_WORDS = frozenset(_TRADE.split())

# Beside one of these another word is most likely the person's name.
PERSONS = frozenset({"baby", "boy", "child", "doctor", "girl", "infant", "nurse", "patient"})
