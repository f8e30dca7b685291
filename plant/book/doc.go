// Package book is a site's book: every use case that reads or writes records by
// the rules of the trade. A node keeps one for its sites and a hub one for all;
// both stand on the same [store.Store] and so answer alike.
//
// # The scheme
//
// A use case is one method of [Book]. One that reads takes one consistent state
// of the store and fills in what is worked out and not stored: etags, who
// amended a check, the answers that a stored check leaves out, the verdict.
//
// One that writes is an act of a person and one transaction:
//
//  1. The request is looked at by itself: no text without end, no control
//     characters, no fields that this program does not know.
//  2. In the transaction, on the newest state: was the request id used before?
//     With the same request of the same person the act was done, and the answer
//     is the same records; with another request it is a clash.
//  3. The rules of package plant judge the request whole against the facts that
//     the store shows. All that is wrong with it is named at once, and then
//     nothing is written.
//  4. What the rules made of it is written together, with the request id.
//  5. After the transaction, so after the store has it on disk, the answer is
//     read back.
//
// # Who may do what
//
// The context names the acting person; without one nothing is written. A person
// who is not on the register may check machines, report defects, register and
// hold machines, because danger does not wait for the register. Anything more is
// forbidden to them. The office keeps the register.
//
// # Request ids
//
// A request id is 1 to 64 printable ASCII characters of the caller's own making. It is
// needed where a repetition would make a second record: to create and amend a
// check, to report a defect, to hold a machine. Elsewhere it is welcome, and has
// the same meaning.
//
// # Etags
//
// An etag says what of a record its reader had seen, and for a defect also as
// how grave and how far along they had seen it. An edit with one that is stale
// is judged by what its editor saw, and kept beside what they had not seen. So a
// certificate is signed for the class that the signer knew of.
//
// # The register as files
//
// The office loads the register as CSV in UTF-8, with commas between cells and a
// header that names the columns in any order. A column marked with * must be
// there; one that is left out keeps what the register has, and an empty cell
// clears it. Where a cell has several entries, semicolons stand between them.
//
//	sites.csv
//	  id *                lower-case letters, digits, dots and hyphens
//	  title *             as people say it
//	  zone *              IANA time zone: Europe/London
//	  latitude_deg        WGS 84; both of latitude and longitude, or neither
//	  longitude_deg
//	  altitude_m
//	  shifts              title, times and days of the start on the site's clock:
//	                      day 07:00-17:30 mon-fri; night 19:00-05:00
//	  silent_after_hours  whole hours; empty or 0 means the hub's own setting
//
//	people.csv
//	  id *                as above
//	  title *             as people call them
//	  role *              operator, supervisor, fitter or office
//	  tickets             machine type and last day, which ends in UTC:
//	                      wheeled-site-dumper:2027-03-31
//
//	machines.csv
//	  fleet_number *      as it is painted on the machine: D 14
//	  machine_type *      one that has a sheet: wheeled-site-dumper
//	  site *              the site at which it stands
//	  options             of its type's sheet: swivel-skip; frame
//	  serial_number
//	  meter_hours         of the hour meter
//	  tyre_pressures      axle, counted from the front, and cold kPa: 1:350; 2:400
//
// # Sites
//
// A node's own sites are in [Options]. What is done at a node is done at one of
// them. Its records of these are complete at any time; what a node knows of
// other sites, and a hub of all, is complete up to what [Options.AsOf] says.
package book
