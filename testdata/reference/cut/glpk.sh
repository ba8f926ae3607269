#!/bin/sh
# Solves 200 random cutting-stock instances with GLPK's integer solver and records the answers in glpk.txt beside this
# file, which calc/stock is tested against. Run it from anywhere: testdata/reference/cut/glpk.sh [WORK]; what WORK has solved
# before is not solved again. It takes an hour.
#
# Each instance is an integer program over all its patterns, so exact, and is solved twice: for the least cost, then for the
# least length of bars at that cost. An instance that glpsol does not finish in 20 s is left out; the test writes
# enough to spare.
set -eu
here=$(cd "$(dirname "$0")" && pwd)
work=${1:-$(mktemp -d)}
command -v glpsol >/dev/null || apt-get install -y glpk-utils >/dev/null

(cd "$here/../../../calc/stock" && go test -count=1 -run TestAgainstGLPK . -args -glpk "$work" >/dev/null)

# solve LP: the objective, or nothing when it is not proven.
solve() {
	[ -f "$1.out" ] || glpsol --lp "$1" --cuts --tmlim 20 -o "$1.out" >"$1.log" 2>&1 || true
	awk '/^Status:/ { ok = /INTEGER OPTIMAL/ } /^Objective:/ { if (ok) printf "%.0f\n", $4 }' "$1.out"
}

{
	echo "# Random cutting-stock instances and their optima, found by $(glpsol --version | awk 'NR == 1 { print "GLPK", $NF }') with glpk.sh."
	echo "# saw KERF TRIM LEAST-OFFCUT, bar LENGTH WIDTH PRICE COUNT OFFCUT, piece LENGTH BEVEL BEVEL COUNT (mm, radians);"
	echo "# glpk COST LENGTH closes an instance: the least cost (bars where there is no price), and the least length of bars"
	echo "# drawn, less offcuts kept, among plans of that cost."
} >"$work/glpk.txt"
done=0
for job in "$work"/*.job; do
	name=${job%.job}
	[ $done -lt 200 ] || break
	cost=$(solve "$name.cost.lp")
	[ -n "$cost" ] || { echo "$name: no cost" >&2; continue; }
	sed "s/COST/$cost/" "$name.length.lp" >"$name.waste.lp"
	length=$(solve "$name.waste.lp")
	[ -n "$length" ] || { echo "$name: no length" >&2; continue; }
	{
		cat "$job"
		awk -v c="$cost" -v u="$(cat "$name.unit")" -v l="$length" 'BEGIN { printf "glpk %.12g %.12g\n", c / u, l / 1000 }'
	} >>"$work/glpk.txt"
	done=$((done + 1))
done
[ $done -eq 200 ] || { echo "only $done of 200 solved" >&2; exit 1; }
mv "$work/glpk.txt" "$here/glpk.txt"
