-- input_files: one row per file met in the fleet folder; files correct one another in the order of their names.
-- reads: nothing.   key: file_id.
-- The landed_* tables (one row per record, those of a file in its order, records read one by one after its others) are made from columns.csv
-- by the read stage; the views raw_* show the rows of the files that are there.
create or replace table input_files (
    file_id integer, kind varchar, name varchar, fingerprint varchar, bytes bigint, rows bigint,
    status varchar,         -- new, changed, unchanged or stopped
    message varchar,        -- why a file was stopped, or what to know about it
    read_as varchar         -- what the reading depends on besides the bytes: mapping, declared columns
);
-- dead_files: files of an earlier run whose rows still lie in landed_* and count for nothing.   key: file_id.
create or replace table dead_files (file_id integer, kind varchar, rows bigint);
-- file_units: columns a file gives in another unit than ours; ours = written * factor + offset.   key: file_id, cell.
create or replace table file_units (file_id integer, cell varchar, header varchar, factor double, "offset" double);
-- line_shifts: from record number `record` on (0 is the first under the header), physical line = record + 2 + shift.
-- key: file_id, record. Only files with blank lines or line breaks inside cells have rows here.
create or replace table line_shifts (file_id integer, record bigint, shift bigint);
