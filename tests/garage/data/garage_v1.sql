BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('1');
CREATE TABLE branch (
	id INTEGER NOT NULL, 
	car_id INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	name_key VARCHAR NOT NULL, 
	started_from VARCHAR NOT NULL, 
	who VARCHAR NOT NULL, 
	created VARCHAR NOT NULL, 
	PRIMARY KEY (id), 
	CONSTRAINT branch_name UNIQUE (car_id, name_key), 
	FOREIGN KEY(car_id) REFERENCES car (id)
);
INSERT INTO "branch" VALUES(1,1,'main','main','','Ada','2026-11-25T14:58:11.434+00:00');
CREATE TABLE car (
	id INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	name_key VARCHAR NOT NULL, 
	created VARCHAR NOT NULL, 
	removed VARCHAR, 
	PRIMARY KEY (id)
);
INSERT INTO "car" VALUES(1,'Kestrel','kestrel','2026-11-25T14:58:11.433+00:00',NULL);
CREATE TABLE content (
	sha256 VARCHAR NOT NULL, 
	text VARCHAR, 
	size INTEGER NOT NULL, 
	PRIMARY KEY (sha256)
);
INSERT INTO "content" VALUES('fb9467d222b8555309d95853ef656e5fdd18e64ac6c68fc2be832014ce0569e8','cold
',5);
INSERT INTO "content" VALUES('f2ea638348602c22a77453d60ecc72bb97086e9dab696d29d04b5476e2ad0728','hot
',4);
CREATE TABLE head (
	branch_id INTEGER NOT NULL, 
	kind VARCHAR NOT NULL, 
	name_key VARCHAR NOT NULL, 
	revision_id INTEGER NOT NULL, 
	PRIMARY KEY (branch_id, kind, name_key), 
	FOREIGN KEY(branch_id) REFERENCES branch (id), 
	FOREIGN KEY(revision_id) REFERENCES revision (id)
);
INSERT INTO "head" VALUES(1,'note','dyno day',2);
CREATE TABLE revision (
	id INTEGER NOT NULL, 
	car_id INTEGER NOT NULL, 
	branch_id INTEGER NOT NULL, 
	kind VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	parent_id INTEGER, 
	sha256 VARCHAR NOT NULL, 
	who VARCHAR NOT NULL, 
	saved VARCHAR NOT NULL, 
	why VARCHAR NOT NULL, 
	stale BOOLEAN NOT NULL, 
	draft BOOLEAN NOT NULL, 
	removed BOOLEAN NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(car_id) REFERENCES car (id), 
	FOREIGN KEY(branch_id) REFERENCES branch (id), 
	FOREIGN KEY(parent_id) REFERENCES revision (id), 
	FOREIGN KEY(sha256) REFERENCES content (sha256)
);
INSERT INTO "revision" VALUES(1,1,1,'note','dyno day',NULL,'fb9467d222b8555309d95853ef656e5fdd18e64ac6c68fc2be832014ce0569e8','Ada','2026-11-25T14:58:11.440+00:00','first',0,0,0);
INSERT INTO "revision" VALUES(2,1,1,'note','dyno day',1,'f2ea638348602c22a77453d60ecc72bb97086e9dab696d29d04b5476e2ad0728','Bo','2026-11-25T14:58:11.445+00:00','corrected',0,0,0);
CREATE UNIQUE INDEX car_live_name ON car (name_key) WHERE removed IS NULL;
CREATE INDEX revision_thing ON revision (car_id, kind, name);
COMMIT;
