// Package hub is the workshop's side of a sync: it takes in the logs of the
// devices that are enrolled, shows each what it may read, and lets in nobody
// else. Package remote is the other side; package door is what they agree on.
//
// # Who may do what
//
// A [Roster] knows the devices. A surveyor's device writes its own log and reads
// the jobs that it was put on, or whose first page it wrote; pages of other jobs
// travel as their hashes. The bench reads all and writes its own log. A device
// joins by an invitation, once; it can be revoked, which ends what it has under
// way and is in force from its next request on. What it wrote stays.
//
// # Doors
//
// A [Server] has up to three. The devices' is TLS 1.3 and HTTP/2, where only the
// Ed25519 key counts that a client proves; a gate in front of the HTTP server
// does the handshakes and bounds the connections of each kind. The console is on
// a loopback address: what people do at the hub goes through it, by a token in a
// file that only its owner reads, because a running hub holds its book; /healthz
// and /metrics are there too, open to the machine. (/healthz is on the devices'
// door as well, for whoever can show a key.) The pages are for browsers, which
// have no key, behind a sign-in with one-time codes that the console gives.
//
// # Hostile clients
//
// [Limits] says what bounds each kind, and what all of it adds up to.
//
// # Margin
//
// What the hub keeps beside the logs lies in its book's margin: roster/ (devices,
// invitations by their secrets' hashes, who began which job, who was seen),
// picture/ (whose they are), hub/parcels (the age identity that parcels are
// sealed for) and hub/pages (the certificate that it made itself).
package hub
