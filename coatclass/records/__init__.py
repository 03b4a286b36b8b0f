"""What a salon keeps: clients, dogs, photos, assessments, answers, findings, visits, and who may see them.

>>> with open_records("sqlite:///salon.sqlite") as records:          # doctest: +SKIP
...     dog = records.add(Dog(name="Bramble", breed="briard"), who="Ada")
...     records.add_photo(dog.id, "bramble.jpg", who="Ada")
...     search_dogs(records, "bram")
"""

from importlib.util import find_spec

from coatclass.errors import MissingExtraError

if find_spec("sqlalchemy") is None or find_spec("alembic") is None:
    raise MissingExtraError("the records", "records")

from coatclass.records._access import (
    end_all_sessions,
    end_session,
    linked_dog,
    make_link,
    revoke_links,
    session_user,
    start_session,
)
from coatclass.records._archive import Archive, backup, export_salon, import_salon, restore
from coatclass.records._limits import BY_UPLOAD, ArchiveLimits
from coatclass.records._photos import PhotoStore, Picture, prepare
from coatclass.records._records import Records, default_folder, open_records
from coatclass.records._research import LearningCase, export_findings, learning_cases
from coatclass.records._salon import (
    FoundDog,
    Visit,
    Waiting,
    delete_client,
    delete_dog,
    erase_owners_part,
    merge_clients,
    merge_dogs,
    search_clients,
    search_dogs,
    visits,
    waiting_list,
)
from coatclass.records._transaction import Reader, Writer, not_found, valid
from coatclass.records._users import (
    SHORTEST_PASSWORD,
    add_user,
    find_user,
    hash_password,
    password_matches,
    set_disabled,
    set_password,
)
from coatclass.records._values import (
    FIRST_DAY,
    LAST_DAY,
    SEEN_BY_SALON,
    AnswerSheet,
    Appointment,
    Change,
    Client,
    Dog,
    Finding,
    Intake,
    Link,
    Measurement,
    Photo,
    PlacePhoto,
    Record,
    Session,
    Setting,
    Sharing,
    StoredAssessment,
    User,
    UserRole,
)
from coatclass.records.database import schema_version

__all__ = [
    "BY_UPLOAD",
    "FIRST_DAY",
    "LAST_DAY",
    "SEEN_BY_SALON",
    "SHORTEST_PASSWORD",
    "AnswerSheet",
    "Appointment",
    "Archive",
    "ArchiveLimits",
    "Change",
    "Client",
    "Dog",
    "Finding",
    "FoundDog",
    "Intake",
    "LearningCase",
    "Link",
    "Measurement",
    "Photo",
    "PhotoStore",
    "Picture",
    "PlacePhoto",
    "Reader",
    "Record",
    "Records",
    "Session",
    "Setting",
    "Sharing",
    "StoredAssessment",
    "User",
    "UserRole",
    "Visit",
    "Waiting",
    "Writer",
    "add_user",
    "backup",
    "default_folder",
    "delete_client",
    "delete_dog",
    "end_all_sessions",
    "end_session",
    "erase_owners_part",
    "export_findings",
    "export_salon",
    "find_user",
    "hash_password",
    "import_salon",
    "learning_cases",
    "linked_dog",
    "make_link",
    "merge_clients",
    "merge_dogs",
    "not_found",
    "open_records",
    "password_matches",
    "prepare",
    "restore",
    "revoke_links",
    "schema_version",
    "search_clients",
    "search_dogs",
    "session_user",
    "set_disabled",
    "set_password",
    "start_session",
    "valid",
    "visits",
    "waiting_list",
]
