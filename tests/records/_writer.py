"""A child process of the kill test: writes without end and says what was confirmed, one line a transaction."""

import sys
from io import BytesIO
from itertools import count
from pathlib import Path

from PIL import Image

from coatclass.records import AnswerSheet, Client, Dog, open_records, prepare

url, photo_folder, start = sys.argv[1:]
with open_records(url, photo_folder=Path(photo_folder)) as records:
    for number in count(int(start)):
        stream = BytesIO()
        Image.new("RGB", (96, 96), (number % 256, number // 256 % 256, 90)).save(stream, "JPEG")
        picture = prepare(stream.getvalue())
        with records.write("child") as writer:
            client = writer.add(Client(name=f"client {number}"))
            dog = writer.add(Dog(name=f"dog {number}", client_id=client.id))
            photo = writer.add_photo(dog.id, picture)
            writer.add(AnswerSheet(dog_id=dog.id, content={"number": number}))
        print(number, client.id, dog.id, photo.sha256, flush=True)
