-- cells: macros that read a cell's text where the plain cast did not; no tables.
-- reads: nothing.   key: none.
-- Only what is certain is read: a blank or apostrophe between digits in groups of three, the column's own unit behind the number, a decimal
-- comma, groups of three digits, the end of an instrument's range (>2000, <1). `decimal` is the file's decimal mark, '' where its sample shows none.
create or replace temp macro cell_bare(t) as lower(trim(t, ' ' || chr(9) || chr(13) || chr(10) || chr(160) || chr(65279)));

create or replace temp macro cell_is_blank(t) as cell_bare(t) = '';

-- Words by which people say that nothing was recorded.
create or replace temp macro cell_says_nothing(t) as
    cell_bare(t) in ('-', '--', '---', '–', '—', 'n/a', 'na', 'n.a.', '#n/a', 'null', 'nil', 'none', 'nan', '?');

create or replace temp macro cell_digits(t, units) as
    case when regexp_matches(t, '\d[\s\x{00a0}\x{2009}\x{202f}\x{feff}''’]+\d')
          and not regexp_full_match(t, '\D*\d{1,3}([\s\x{00a0}\x{2009}\x{202f}\x{feff}''’]\d{3})+([.,]\d+)?\D*') then t
         else regexp_replace(regexp_replace(replace(regexp_replace(lower(t), '[\s\x{00a0}\x{2009}\x{202f}\x{feff}''’]+', '', 'g'), '−', '-'),
                                            '(' || units || ')$', ''), '^(>=?|<=?|≥|≤)', '') end;

create or replace temp macro cell_bound(t) as
    case when regexp_matches(t, '^\s*[>≥]') then 'more' when regexp_matches(t, '^\s*[<≤]') then 'less' end;

create or replace temp macro digits_number(u, decimal) as
    case when regexp_full_match(u, '[-+]?\d{1,3}(,\d{3})+\.\d+') then try_cast(replace(u, ',', '') as double)
         when regexp_full_match(u, '[-+]?\d{1,3}(\.\d{3})+,\d+') then try_cast(replace(replace(u, '.', ''), ',', '.') as double)
         when regexp_full_match(u, '[-+]?\d{1,3}(,\d{3}){2,}') then try_cast(replace(u, ',', '') as double)
         when regexp_full_match(u, '[-+]?\d{1,3}(\.\d{3}){2,}') then try_cast(replace(u, '.', '') as double)
         when regexp_full_match(u, '[-+]?[1-9]\d{0,2},\d{3}')
             then case decimal when '.' then try_cast(replace(u, ',', '') as double)
                               when ',' then try_cast(replace(u, ',', '.') as double) end
         when regexp_full_match(u, '[-+]?[1-9]\d{0,2}\.\d{3}') and decimal = ',' then try_cast(replace(u, '.', '') as double)
         when regexp_full_match(u, '[-+]?\d*,\d+') then try_cast(replace(u, ',', '.') as double)
         when regexp_full_match(u, '[-+]?(\d+\.?\d*|\.\d+)(e[-+]?\d+)?|[-+]?inf(inity)?') then try_cast(u as double)
    end;

create or replace temp macro cell_number(t, units, decimal) as digits_number(cell_digits(t, units), decimal);

create or replace temp macro parts_date(a, b, y) as
    case when a > 12 or a = b then try_cast(y || '-' || b || '-' || a as date)
         when b > 12 then try_cast(y || '-' || a || '-' || b as date) end;

-- A date without the time of day behind it, blanks after its dots and a last dot.
create or replace temp macro cell_day(t) as
    regexp_replace(
        regexp_replace(
            regexp_replace(trim(t, ' ' || chr(9) || chr(160)),
                           '[T ,]+\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?(\s?[AaPp]\.?[Mm]\.?)?$', ''),
            '\.\s+', '.', 'g'),
        '(\d)\.$', '\1');

-- A date that is not ISO: day.month.year, year.month.day, month names, eight digits, or slashes that can be read one way only.
-- Short years come first: a long one takes 24 for the year 24.
create or replace temp macro cell_date(t) as
    case when regexp_full_match(cell_day(t), '\d{1,2}\.\d{1,2}\.\d{4}') then try_strptime(cell_day(t), '%d.%m.%Y')::date
         when regexp_full_match(cell_day(t), '\d{4}\.\d{1,2}\.\d{1,2}') then try_strptime(cell_day(t), '%Y.%m.%d')::date
         when regexp_full_match(cell_day(t), '\d{1,2}[/-]\d{1,2}[/-]\d{4}')
             then parts_date(try_cast(regexp_extract(t, '(\d+)', 1) as integer),
                             try_cast(regexp_extract(t, '\d+[/-](\d+)', 1) as integer),
                             regexp_extract(t, '(\d{4})', 1))
         when regexp_full_match(trim(t), '\d{8}') then try_strptime(trim(t), '%Y%m%d')::date
         when regexp_full_match(cell_day(t), '[\w ,.-]*[[:alpha:]]{3}[\w ,.-]*')
             then try_strptime(cell_day(t), ['%d-%b-%y', '%d %b %y', '%d %b %Y', '%d-%b-%Y', '%d %B %Y', '%b %d, %Y',
                                             '%B %d, %Y', '%d.%B %Y', '%d.%b %Y', '%A, %B %d, %Y', '%A, %d %B %Y'])::date
         else try_cast(trim(t) as timestamp)::date
    end;

-- Day/month and month/day at once.
create or replace temp macro cell_is_two_dates(t) as
    regexp_full_match(t, '\s*(0?[1-9]|1[0-2])[/-](0?[1-9]|1[0-2])[/-]\d{4}\b.*');

-- Written as a date is, in one of the years of dates; where it is none, the calendar has no such day.
create or replace temp macro cell_is_like_date(t, first_year, last_year) as
    regexp_full_match(cell_day(t), '\d{4}[./-]\d{1,2}[./-]\d{1,2}|\d{1,2}[./-]\d{1,2}[./-]\d{4}')
    and try_cast(regexp_extract(cell_day(t), '\d{4}') as integer) between first_year and last_year;

create or replace temp macro cell_boolean(t) as
    case when lower(trim(t)) in ('true', 't', 'yes', 'y', '1', '1.0', 'ja', 'j', 'wahr', 'oui', 'vrai', 'sí', 'si', 'sì', 'x', 'on')
             then true
         when lower(trim(t)) in ('false', 'f', 'no', 'n', '0', '0.0', 'nein', 'falsch', 'non', 'faux', 'off')
             then false end;

-- A word of a closed list, or a fuel's name (fuels.fuel_word gives the same), however it is written: small letters, _ for
-- blanks and hyphens of any kind.
create or replace temp macro cell_word(t) as
    lower(regexp_replace(regexp_replace(t, '^[\s\x0b\pZ\x{feff}]+|[\s\x0b\pZ\x{feff}]+$', '', 'g'),
                         '[\s\x0b\pZ\x{feff}\x{2010}\x{2011}-]+', '_', 'g'));
