BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0004');
CREATE TABLE answers (
	id VARCHAR(32) NOT NULL, 
	dog_id VARCHAR(32) NOT NULL, 
	content JSON NOT NULL, 
	given_at DATETIME NOT NULL, 
	CONSTRAINT pk_answers PRIMARY KEY (id), 
	CONSTRAINT fk_answers_dog_id FOREIGN KEY(dog_id) REFERENCES dogs (id)
);
INSERT INTO "answers" VALUES('20cad58c383b4670a51d600989339bd9','0c570348676a4a3b871b856eda892b35','{"feel": "silky", "trunk_length_mm": 40.0}','2026-11-28 14:08:02.477686');
CREATE TABLE appointments (
	id VARCHAR(32) NOT NULL, 
	dog_id VARCHAR(32) NOT NULL, 
	starts_at DATETIME NOT NULL, 
	minutes INTEGER NOT NULL, 
	state VARCHAR(10) NOT NULL, 
	remarks TEXT NOT NULL, took_minutes INTEGER, work TEXT DEFAULT '' NOT NULL, 
	CONSTRAINT pk_appointments PRIMARY KEY (id), 
	CONSTRAINT fk_appointments_dog_id FOREIGN KEY(dog_id) REFERENCES dogs (id)
);
INSERT INTO "appointments" VALUES('553fcb29468f44feba6b96a544c4178e','0c570348676a4a3b871b856eda892b35','2026-03-09 08:30:00.000000',60,'planned','',NULL,'');
CREATE TABLE assessments (
	id VARCHAR(32) NOT NULL, 
	dog_id VARCHAR(32) NOT NULL, 
	result JSON NOT NULL, 
	evidence JSON NOT NULL, 
	answers_id VARCHAR(32), 
	made_at DATETIME NOT NULL, 
	verdict VARCHAR(40) NOT NULL, 
	doubt FLOAT NOT NULL, 
	CONSTRAINT pk_assessments PRIMARY KEY (id), 
	CONSTRAINT fk_assessments_answers_id FOREIGN KEY(answers_id) REFERENCES answers (id), 
	CONSTRAINT fk_assessments_dog_id FOREIGN KEY(dog_id) REFERENCES dogs (id)
);
CREATE TABLE changes (
	number INTEGER NOT NULL, 
	at DATETIME NOT NULL, 
	who TEXT NOT NULL, 
	action VARCHAR(10) NOT NULL, 
	kind VARCHAR(20) NOT NULL, 
	record_id VARCHAR(32) NOT NULL, 
	about VARCHAR(32) NOT NULL, 
	"before" JSON, 
	"after" JSON, 
	CONSTRAINT pk_changes PRIMARY KEY (number)
);
INSERT INTO "changes" VALUES(1,'2026-11-28 14:08:02.469449','Ada','added','clients','809bcb378af04d919f3ea24172e5af21','809bcb378af04d919f3ea24172e5af21',NULL,'{"id": "809bcb378af04d919f3ea24172e5af21", "name": "Ottoline Farrow", "phone": "0000 100", "email": "", "address": "", "remarks": "rings twice", "added_at": "2026-11-28T14:08:02.467803Z"}');
INSERT INTO "changes" VALUES(2,'2026-11-28 14:08:02.477022','Ada','added','dogs','0c570348676a4a3b871b856eda892b35','809bcb378af04d919f3ea24172e5af21',NULL,'{"id": "0c570348676a4a3b871b856eda892b35", "client_id": "809bcb378af04d919f3ea24172e5af21", "name": "Fennel", "breed": "briard", "sex": null, "born_on": "2020-05-01", "weight_kg": 30.5, "remarks": "", "added_at": "2026-11-28T14:08:02.475071Z"}');
INSERT INTO "changes" VALUES(3,'2026-11-28 14:08:02.484339','Ada','added','answers','20cad58c383b4670a51d600989339bd9','0c570348676a4a3b871b856eda892b35',NULL,'{"id": "20cad58c383b4670a51d600989339bd9", "dog_id": "0c570348676a4a3b871b856eda892b35", "content": {"feel": "silky", "trunk_length_mm": 40.0}, "given_at": "2026-11-28T14:08:02.477686Z"}');
INSERT INTO "changes" VALUES(4,'2026-11-28 14:08:02.521722','Ada','added','findings','c5676fd13dff4070a1b5f1713546bbfb','0c570348676a4a3b871b856eda892b35',NULL,'{"id": "c5676fd13dff4070a1b5f1713546bbfb", "dog_id": "0c570348676a4a3b871b856eda892b35", "category": "hair", "by": "Ada", "lengths_mm": {"trunk": 41.0}, "undercoat": null, "texture": null, "mats": {}, "patience": null, "remarks": "was sweet", "assessment_id": null, "found_at": "2026-11-28T14:08:02.484983Z"}');
INSERT INTO "changes" VALUES(5,'2026-11-28 14:08:02.543938','Ada','added','measurements','35bdf531f2bc49e5b3ba2d63a98bbe9f','0c570348676a4a3b871b856eda892b35',NULL,'{"id": "35bdf531f2bc49e5b3ba2d63a98bbe9f", "dog_id": "0c570348676a4a3b871b856eda892b35", "length_mm": 41.0, "measured_on": "2026-03-01", "zone": "trunk", "how": "hands", "error_mm": null}');
INSERT INTO "changes" VALUES(6,'2026-11-28 14:08:02.545613','Ada','added','appointments','553fcb29468f44feba6b96a544c4178e','0c570348676a4a3b871b856eda892b35',NULL,'{"id": "553fcb29468f44feba6b96a544c4178e", "dog_id": "0c570348676a4a3b871b856eda892b35", "starts_at": "2026-03-09T08:30:00Z", "minutes": 60, "state": "planned", "remarks": ""}');
INSERT INTO "changes" VALUES(7,'2026-11-28 14:08:02.572019','Ada','added','users','d1987fed991c41b49055d791cbf6ba8b','d1987fed991c41b49055d791cbf6ba8b',NULL,'{"id": "d1987fed991c41b49055d791cbf6ba8b", "name": "Ada", "role": "groomer", "disabled": false, "failed_sign_ins": 0, "locked_until": null, "added_at": "2026-11-28T14:08:02.546113Z"}');
INSERT INTO "changes" VALUES(8,'2026-11-28 14:08:02.573341','Ada','added','dogs','02bc288f9bd84b198b1bd242b4707ccf','02bc288f9bd84b198b1bd242b4707ccf',NULL,'{"id": "02bc288f9bd84b198b1bd242b4707ccf", "client_id": null, "name": "Odd", "breed": "", "sex": null, "born_on": null, "weight_kg": null, "remarks": "", "added_at": "2026-11-28T14:08:02.572861Z"}');
CREATE TABLE checks (
	id VARCHAR(32) NOT NULL, 
	dog_id VARCHAR(32) NOT NULL, 
	"by" TEXT NOT NULL, 
	passed JSON NOT NULL, 
	stopped JSON NOT NULL, 
	faults JSON NOT NULL, 
	tool VARCHAR(40), 
	remarks TEXT NOT NULL, 
	appointment_id VARCHAR(32), 
	photo_id VARCHAR(32), 
	checked_at DATETIME NOT NULL, 
	CONSTRAINT pk_checks PRIMARY KEY (id), 
	CONSTRAINT fk_checks_dog_id FOREIGN KEY(dog_id) REFERENCES dogs (id), 
	CONSTRAINT fk_checks_appointment_id FOREIGN KEY(appointment_id) REFERENCES appointments (id), 
	CONSTRAINT fk_checks_photo_id FOREIGN KEY(photo_id) REFERENCES place_photos (id)
);
CREATE TABLE clients (
	id VARCHAR(32) NOT NULL, 
	name TEXT NOT NULL, 
	phone TEXT NOT NULL, 
	email TEXT NOT NULL, 
	address TEXT NOT NULL, 
	remarks TEXT NOT NULL, 
	added_at DATETIME NOT NULL, 
	sought TEXT NOT NULL, 
	CONSTRAINT pk_clients PRIMARY KEY (id)
);
INSERT INTO "clients" VALUES('809bcb378af04d919f3ea24172e5af21','Ottoline Farrow','0000 100','','','rings twice','2026-11-28 14:08:02.467803','ottoline farrow 0000 100');
CREATE TABLE dogs (
	id VARCHAR(32) NOT NULL, 
	client_id VARCHAR(32), 
	name TEXT NOT NULL, 
	breed TEXT NOT NULL, 
	sex VARCHAR(6), 
	born_on DATE, 
	weight_kg FLOAT, 
	remarks TEXT NOT NULL, 
	added_at DATETIME NOT NULL, 
	sought TEXT NOT NULL, sharing VARCHAR(10) DEFAULT 'salon' NOT NULL, sent_by TEXT DEFAULT '' NOT NULL, sent_reach TEXT DEFAULT '' NOT NULL, sent_at DATETIME, put_away_at DATETIME, counted_since DATETIME, 
	CONSTRAINT pk_dogs PRIMARY KEY (id), 
	CONSTRAINT fk_dogs_client_id FOREIGN KEY(client_id) REFERENCES clients (id)
);
INSERT INTO "dogs" VALUES('0c570348676a4a3b871b856eda892b35','809bcb378af04d919f3ea24172e5af21','Fennel','briard',NULL,'2020-05-01',30.5,'','2026-11-28 14:08:02.475071','fennel briard','salon','','',NULL,NULL,NULL);
INSERT INTO "dogs" VALUES('02bc288f9bd84b198b1bd242b4707ccf',NULL,'Two
lines','',NULL,'0001-01-01',NULL,'','2026-11-28 14:08:02.572861','odd','salon','','',NULL,NULL,NULL);
CREATE TABLE erasing (
	dog_id VARCHAR(32) NOT NULL, 
	CONSTRAINT pk_erasing PRIMARY KEY (dog_id)
);
CREATE TABLE findings (
	id VARCHAR(32) NOT NULL, 
	dog_id VARCHAR(32) NOT NULL, 
	category VARCHAR(20) NOT NULL, 
	"by" TEXT NOT NULL, 
	lengths_mm JSON NOT NULL, 
	undercoat VARCHAR(20), 
	texture VARCHAR(20), 
	mats JSON NOT NULL, 
	patience VARCHAR(20), 
	remarks TEXT NOT NULL, 
	assessment_id VARCHAR(32), 
	found_at DATETIME NOT NULL, 
	CONSTRAINT pk_findings PRIMARY KEY (id), 
	CONSTRAINT fk_findings_assessment_id FOREIGN KEY(assessment_id) REFERENCES assessments (id), 
	CONSTRAINT fk_findings_dog_id FOREIGN KEY(dog_id) REFERENCES dogs (id)
);
INSERT INTO "findings" VALUES('c5676fd13dff4070a1b5f1713546bbfb','0c570348676a4a3b871b856eda892b35','hair','Ada','{"trunk": 41.0}',NULL,NULL,'{}',NULL,'was sweet',NULL,'2026-11-28 14:08:02.484983');
CREATE TABLE intakes (
	id VARCHAR(32) NOT NULL, 
	dog_id VARCHAR(32) NOT NULL, 
	appointment_id VARCHAR(32), 
	replaces_id VARCHAR(32), 
	version INTEGER NOT NULL, 
	content TEXT NOT NULL, 
	sha256 VARCHAR(64) NOT NULL, 
	made_at DATETIME NOT NULL, 
	signed_at DATETIME, 
	CONSTRAINT pk_intakes PRIMARY KEY (id), 
	CONSTRAINT fk_intakes_dog_id FOREIGN KEY(dog_id) REFERENCES dogs (id), 
	CONSTRAINT fk_intakes_appointment_id FOREIGN KEY(appointment_id) REFERENCES appointments (id), 
	CONSTRAINT fk_intakes_replaces_id FOREIGN KEY(replaces_id) REFERENCES intakes (id)
);
CREATE TABLE links (
	id VARCHAR(32) NOT NULL, 
	dog_id VARCHAR(32) NOT NULL, 
	token_hash VARCHAR(64) NOT NULL, 
	expires_at DATETIME NOT NULL, 
	made_at DATETIME NOT NULL, 
	CONSTRAINT pk_links PRIMARY KEY (id), 
	CONSTRAINT fk_links_dog_id FOREIGN KEY(dog_id) REFERENCES dogs (id), 
	CONSTRAINT uq_links_token_hash UNIQUE (token_hash)
);
CREATE TABLE measurements (
	id VARCHAR(32) NOT NULL, 
	dog_id VARCHAR(32) NOT NULL, 
	length_mm FLOAT NOT NULL, 
	measured_on DATE NOT NULL, 
	zone VARCHAR(20) NOT NULL, 
	how VARCHAR(10) NOT NULL, 
	error_mm FLOAT, 
	CONSTRAINT pk_measurements PRIMARY KEY (id), 
	CONSTRAINT fk_measurements_dog_id FOREIGN KEY(dog_id) REFERENCES dogs (id)
);
INSERT INTO "measurements" VALUES('35bdf531f2bc49e5b3ba2d63a98bbe9f','0c570348676a4a3b871b856eda892b35',41.0,'2026-03-01','trunk','hands',NULL);
CREATE TABLE photos (
	id VARCHAR(32) NOT NULL, 
	dog_id VARCHAR(32) NOT NULL, 
	sha256 VARCHAR(64) NOT NULL, 
	width INTEGER NOT NULL, 
	height INTEGER NOT NULL, 
	taken_on DATE, 
	added_at DATETIME NOT NULL, 
	CONSTRAINT pk_photos PRIMARY KEY (id), 
	CONSTRAINT fk_photos_dog_id FOREIGN KEY(dog_id) REFERENCES dogs (id)
);
CREATE TABLE place_photos (
	id VARCHAR(32) NOT NULL, 
	dog_id VARCHAR(32) NOT NULL, 
	intake_id VARCHAR(32), 
	place TEXT NOT NULL, 
	sha256 VARCHAR(64) NOT NULL, 
	width INTEGER NOT NULL, 
	height INTEGER NOT NULL, 
	added_at DATETIME NOT NULL, 
	CONSTRAINT pk_place_photos PRIMARY KEY (id), 
	CONSTRAINT fk_place_photos_dog_id FOREIGN KEY(dog_id) REFERENCES dogs (id), 
	CONSTRAINT fk_place_photos_intake_id FOREIGN KEY(intake_id) REFERENCES intakes (id)
);
CREATE TABLE salon (
	id VARCHAR(32) NOT NULL, 
	CONSTRAINT pk_salon PRIMARY KEY (id)
);
INSERT INTO "salon" VALUES('fb334d0f341841b4bd1f3562460b54e5');
CREATE TABLE sessions (
	id VARCHAR(32) NOT NULL, 
	user_id VARCHAR(32) NOT NULL, 
	token_hash VARCHAR(64) NOT NULL, 
	expires_at DATETIME NOT NULL, 
	started_at DATETIME NOT NULL, 
	CONSTRAINT pk_sessions PRIMARY KEY (id), 
	CONSTRAINT fk_sessions_user_id FOREIGN KEY(user_id) REFERENCES users (id), 
	CONSTRAINT uq_sessions_token_hash UNIQUE (token_hash)
);
CREATE TABLE settings (
	id VARCHAR(32) NOT NULL, 
	name TEXT NOT NULL, 
	content JSON NOT NULL, 
	made_at DATETIME NOT NULL, 
	CONSTRAINT pk_settings PRIMARY KEY (id)
);
CREATE TABLE users (
	id VARCHAR(32) NOT NULL, 
	name TEXT NOT NULL, 
	role VARCHAR(20) NOT NULL, 
	password_hash TEXT NOT NULL, 
	disabled BOOLEAN NOT NULL, 
	failed_sign_ins INTEGER NOT NULL, 
	locked_until DATETIME, 
	added_at DATETIME NOT NULL, 
	sought TEXT NOT NULL, 
	CONSTRAINT pk_users PRIMARY KEY (id), 
	CONSTRAINT uq_users_sought UNIQUE (sought)
);
INSERT INTO "users" VALUES('d1987fed991c41b49055d791cbf6ba8b','Ada','groomer','$argon2id$not-a-hash',0,3,'2026-03-01 12:00:00.000000','2026-11-28 14:08:02.546113','ada');
CREATE INDEX ix_changes_record_id ON changes (record_id);
CREATE INDEX ix_changes_about ON changes (about);
CREATE INDEX ix_dogs_client_id ON dogs (client_id);
CREATE INDEX ix_sessions_user_id ON sessions (user_id);
CREATE INDEX ix_answers_dog_id ON answers (dog_id);
CREATE INDEX ix_appointments_dog_id ON appointments (dog_id);
CREATE INDEX ix_appointments_starts_at ON appointments (starts_at);
CREATE INDEX ix_links_dog_id ON links (dog_id);
CREATE INDEX ix_measurements_dog_id ON measurements (dog_id);
CREATE INDEX ix_photos_dog_id ON photos (dog_id);
CREATE INDEX ix_photos_sha256 ON photos (sha256);
CREATE INDEX ix_assessments_answers_id ON assessments (answers_id);
CREATE INDEX ix_assessments_dog_id ON assessments (dog_id);
CREATE INDEX ix_assessments_dog_made ON assessments (dog_id, made_at);
CREATE INDEX ix_findings_assessment_id ON findings (assessment_id);
CREATE INDEX ix_findings_dog_found ON findings (dog_id, found_at);
CREATE INDEX ix_findings_dog_id ON findings (dog_id);
CREATE INDEX ix_intakes_dog_id ON intakes (dog_id);
CREATE INDEX ix_intakes_appointment_id ON intakes (appointment_id);
CREATE INDEX ix_intakes_replaces_id ON intakes (replaces_id);
CREATE INDEX ix_place_photos_dog_id ON place_photos (dog_id);
CREATE INDEX ix_place_photos_intake_id ON place_photos (intake_id);
CREATE INDEX ix_place_photos_sha256 ON place_photos (sha256);
CREATE TRIGGER intakes_no_update BEFORE UPDATE ON intakes WHEN OLD.signed_at IS NOT NULL AND (OLD.id <> NEW.id OR NEW.id IS NULL OR OLD.version <> NEW.version OR NEW.version IS NULL OR OLD.content <> NEW.content OR NEW.content IS NULL OR OLD.sha256 <> NEW.sha256 OR NEW.sha256 IS NULL OR OLD.signed_at <> NEW.signed_at OR NEW.signed_at IS NULL) BEGIN SELECT RAISE(ABORT, 'what was signed can not be updated'); END;
CREATE TRIGGER intakes_no_delete BEFORE DELETE ON intakes WHEN OLD.signed_at IS NOT NULL AND NOT EXISTS (SELECT 1 FROM erasing WHERE erasing.dog_id = OLD.dog_id) BEGIN SELECT RAISE(ABORT, 'what was signed can not be deleted'); END;
CREATE TRIGGER place_photos_no_update BEFORE UPDATE ON place_photos WHEN OLD.intake_id IS NOT NULL AND (OLD.id <> NEW.id OR NEW.id IS NULL OR OLD.intake_id <> NEW.intake_id OR NEW.intake_id IS NULL OR OLD.place <> NEW.place OR NEW.place IS NULL OR OLD.sha256 <> NEW.sha256 OR NEW.sha256 IS NULL) BEGIN SELECT RAISE(ABORT, 'what was signed can not be updated'); END;
CREATE TRIGGER place_photos_no_delete BEFORE DELETE ON place_photos WHEN OLD.intake_id IS NOT NULL AND NOT EXISTS (SELECT 1 FROM erasing WHERE erasing.dog_id = OLD.dog_id) BEGIN SELECT RAISE(ABORT, 'what was signed can not be deleted'); END;
CREATE INDEX ix_checks_dog_id ON checks (dog_id);
CREATE INDEX ix_checks_appointment_id ON checks (appointment_id);
CREATE INDEX ix_checks_photo_id ON checks (photo_id);
COMMIT;
