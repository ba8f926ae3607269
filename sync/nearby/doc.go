// Package nearby finds a hub on the local network: by DNS-based service
// discovery (RFC 6763) over multicast DNS (RFC 6762). It is off unless a
// person asks for it.
//
// What it finds is where a hub may be. Anybody on the network can answer, with
// any name and fingerprint: whoever dials a candidate checks the hub's key,
// which was pinned when the device was enrolled, and trusts nothing that was
// said here. The fingerprint's first bytes are a hint which to try first.
//
// # Records
//
// The service type is _pinchrod._tcp, in the domain local. With a hub's name N,
// and F the first 8 bytes of its key's fingerprint in hex:
//
//	_pinchrod._tcp.local.                PTR   N F[:8]._pinchrod._tcp.local.
//	N F[:8]._pinchrod._tcp.local.        SRV   0 0 port pinchrod-F.local.
//	N F[:8]._pinchrod._tcp.local.        TXT   "txtvers=1" "fp=F"
//	pinchrod-F.local.                    A, AAAA
//	_services._dns-sd._udp.local.        PTR   _pinchrod._tcp.local.
//
// All but the first and the last are this hub's alone, and their names say so
// by its key. So nobody else has them, and the hub does not probe for them
// first (RFC 6762 section 8.1 leaves it out where names cannot collide).
//
// A hub that gives no addresses is at the one that it answers from.
package nearby
