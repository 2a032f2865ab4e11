-- What a judgement rests on besides bytes, name, profile and version, as JSON.
ALTER TABLE files ADD COLUMN basis TEXT;
-- 1 where a mix was named and the file was judged without it.
ALTER TABLE files ADD COLUMN awaits_mix INTEGER NOT NULL DEFAULT 0;
CREATE INDEX files_awaiting_mix ON files (id) WHERE awaits_mix = 1;
