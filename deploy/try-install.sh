#!/usr/bin/env bash
# Installs a package into a fresh Debian, made in a folder for that, as somebody
# would on a new machine, and looks whether it does what is promised: nodes and
# keepers come in over TLS with their own credentials, and nobody else does.
#   deploy/try-install.sh outyard_….deb        (root; debootstrap; some minutes)
# It listens on this machine alone, ends by itself, and leaves nothing behind.
# FRESH=FOLDER uses a Debian that is there already, on a copy.
set -euo pipefail

deb=${1:?name the package: deploy/try-install.sh outyard_....deb}
deb=$(realpath "$deb")
readme=$(realpath "$(dirname "${BASH_SOURCE[0]}")/../configs/README.md")
suite=${SUITE:-bookworm} mirror=${MIRROR:-http://deb.debian.org/debian}
pages=${PAGES_PORT:-28377} mqtt=${MQTT_PORT:-28883}
export LC_ALL=C DEBIAN_FRONTEND=noninteractive PATH="$PATH:/usr/sbin:/sbin"

[ "$(id -u)" = 0 ] || { echo "run it as root: it makes a Debian in a folder and enters it" >&2; exit 1; }
command -v debootstrap >/dev/null || { apt-get update -q; apt-get install -qy --no-install-recommends debootstrap; }

work=$(mktemp -d)
root=$work/debian
daemon=
cleanup() {
	local code=$?
	trap - EXIT
	if [ -n "$daemon" ]; then kill -TERM "$daemon" 2>/dev/null || true; wait "$daemon" 2>/dev/null || true; fi
	if [ "$code" -ne 0 ] && [ -f "$work/log" ]; then echo "the daemon's log:" >&2; cat "$work/log" >&2; fi
	rm -rf --one-file-system "$work"
	exit "$code"
}
trap cleanup EXIT

step() { echo "== $*"; }
die() { echo "FAILED: $*" >&2; exit 1; }
inside() { chroot "$root" "$@"; }
asOutyard() { chroot --userspec=outyard:outyard "$root" "$@"; }

step "a fresh Debian $suite"
if [ -n "${FRESH:-}" ]; then
	cp -a "$FRESH" "$root"
else
	debootstrap --variant=minbase "$suite" "$root" "$mirror" >"$work/debootstrap.log" || { tail "$work/debootstrap.log" >&2; die "debootstrap"; }
fi
cp /etc/resolv.conf "$root/etc/resolv.conf"
for conf in /etc/apt/apt.conf.d/*proxy*; do [ ! -f "$conf" ] || cp "$conf" "$root/etc/apt/apt.conf.d/"; done
echo "127.0.0.1 localhost bees.example" >"$root/etc/hosts"
inside apt-get update -q >"$work/apt.log"
inside apt-get install -qy --no-install-recommends mosquitto-clients curl openssl ca-certificates >>"$work/apt.log" 2>&1 || { tail "$work/apt.log" >&2; die "apt-get install"; }

step "install the package"
cp "$deb" "$root/tmp/outyard.deb"
inside apt-get install -qy --no-install-recommends /tmp/outyard.deb >>"$work/apt.log" 2>&1 || { tail "$work/apt.log" >&2; die "installation"; }
inside outyard version
[ "$(inside stat -c '%U %G %a' /var/lib/outyard)" = "outyard outyard 700" ] || die "state directory: $(inside stat -c '%U %G %a' /var/lib/outyard)"
asOutyard outyard check >/dev/null || die "the config of the package has mistakes"
for doc in copyright README.md configs/README.md deploy/README.md changelog.gz; do
	[ -s "$root/usr/share/doc/outyard/$doc" ] || die "no $doc"
done

unit() { sed -n "s/^$1=//p" "$root/lib/systemd/system/outyard.service"; }
start=$(unit ExecStart)
[ -n "$start" ] || die "the unit has no ExecStart"

step "a config with a mistake starts nothing"
cp "$root/etc/outyard/outyard.yaml" "$work/conffile"
echo "yardz: []" >>"$root/etc/outyard/outyard.yaml"
# shellcheck disable=SC2086 # the words of the unit
if asOutyard timeout 60 $start >"$work/check" 2>&1; then die "it started with a broken config"; fi
if asOutyard outyard check >/dev/null 2>&1; then die "outyard check sees no mistake"; fi
grep -q 'yardz' "$work/check" || die "the mistake is not named: $(cat "$work/check")"

step "an authority and a certificate, as the documents say"
# The very lines of configs/README.md.
sed -n '/^openssl req -x509/,/^```/p' "$readme" | grep -v '^```' >"$root/tmp/authority.sh"
grep -q 'CA ca.crt' "$root/tmp/authority.sh" || die "configs/README.md has no such lines any more"
inside sh -ec 'mkdir /tmp/authority && cd /tmp/authority && sh -e ../authority.sh' >"$work/openssl" 2>&1 || { cat "$work/openssl" >&2; die "openssl"; }
inside install -m 644 /tmp/authority/server.crt /etc/outyard/server.crt
inside install -m 640 -g outyard /tmp/authority/server.key /etc/outyard/server.key
echo "honey & wax" >"$root/tmp/password"
inside install -m 640 -g outyard /tmp/password /etc/outyard/mail-password
cat >"$root/etc/outyard/outyard.yaml" <<CONFIG
data: /var/lib/outyard
listen: 0.0.0.0:$pages
tls: {cert: /etc/outyard/server.crt, key: /etc/outyard/server.key}
mqtt:
  embedded:
    listen: 0.0.0.0:$mqtt
    nodes_only: true
    tls: {cert: /etc/outyard/server.crt, key: /etc/outyard/server.key}
yards:
  - {id: heron-point, latitude: 48.80, longitude: -123.30, timezone: America/Vancouver, hives: [{id: h01}]}
  - {id: mill-creek, latitude: 48.60, longitude: -123.40, timezone: America/Vancouver, hives: [{id: h01}]}
tell:
  - {name: me, to: ["smtp://me:\${file:/etc/outyard/mail-password}@mail.example/?from=hives@mail.example&to=me@mail.example"]}
CONFIG
asOutyard outyard check >/dev/null || die "the config is refused"

launch() {
	: >"$work/log"
	# shellcheck disable=SC2086
	chroot --userspec=outyard:outyard "$root" sh -c 'umask 0077; cd /var/lib/outyard && exec "$@"' start $start 2>"$work/log" &
	daemon=$!
	for _ in $(seq 600); do
		! grep -q 'msg=ready' "$work/log" || return 0
		kill -0 "$daemon" 2>/dev/null || break
		sleep 0.1
	done
	die "the daemon is not ready"
}

step "open to others, it does not start before there is an account"
# shellcheck disable=SC2086
if asOutyard timeout 60 $start >"$work/refusal" 2>&1; then die "it started without an account"; fi
grep -q 'outyard keeper add' "$work/refusal" || die "it does not say what to do: $(cat "$work/refusal")"

step "accounts and credentials"
password="a-swarm-in-May-$RANDOM$RANDOM"
printf '%s\n' "$password" | asOutyard outyard keeper add maya
if inside outyard node add root-gateway --yard heron-point >"$work/root" 2>&1; then die "root writes what the daemon cannot open"; fi
grep -q 'sudo -u outyard' "$work/root" || die "it does not say as whom: $(cat "$work/root")"
heron=$(asOutyard outyard node add heron-gateway --yard heron-point)
mill=$(asOutyard outyard node add mill-gateway --yard mill-creek)
if [ -z "$heron" ] || [ -z "$mill" ]; then die "no secret was shown"; fi

step "start the unit's command: $start"
launch

ca=/tmp/authority/ca.crt
send() { # user secret topic kilograms [option...]
	local user=$1 secret=$2 topic=$3 kg=$4
	shift 4
	inside timeout 20 mosquitto_pub -h bees.example -p "$mqtt" "$@" -u "$user" -P "$secret" -q 1 -t "$topic" \
		-m '[{"n":"weight","u":"kg","v":'"$kg"'}]' >>"$work/sent" 2>&1
}
step "a node's reading, over TLS, with its credentials"
send heron-gateway "$heron" yards/heron-point/hives/h01 41.25 --cafile $ca || { cat "$work/sent" >&2; die "the node's reading was not taken"; }

step "what must be refused"
if send heron-gateway wrong yards/heron-point/hives/h01 91.1 --cafile $ca; then die "a wrong secret was let in"; fi
if send mill-gateway "$heron" yards/heron-point/hives/h01 92.2 --cafile $ca; then die "another node's secret was let in"; fi
send mill-gateway "$mill" yards/heron-point/hives/h01 93.3 --cafile $ca -V 5 || true # the answer is a reason, and is seen below
send mill-gateway "$mill" yards/heron-point/hives/h01 94.4 --cafile $ca || true      # the end of the connection
if send heron-gateway "$heron" yards/heron-point/hives/h01 95.5; then die "the broker talks without TLS"; fi
if send heron-gateway "$heron" yards/heron-point/hives/h01 96.6 --cafile /etc/ssl/certs/ca-certificates.crt; then die "a certificate of nobody's was believed"; fi
if inside timeout 20 mosquitto_pub -h bees.example -p "$mqtt" --cafile $ca -q 1 -t yards/heron-point/hives/h01 \
	-m '[{"n":"weight","u":"kg","v":97.7}]' >>"$work/sent" 2>&1; then die "who gives no name was let in"; fi
send mill-gateway "$mill" yards/mill-creek/hives/h01 52.75 --cafile $ca || die "a node that was refused elsewhere cannot send to its own yard"

step "on the page, over HTTPS"
page() { inside curl -sS --max-time 20 --cacert $ca -b /tmp/cookies -c /tmp/cookies "$@"; }
at=https://bees.example:$pages
[ "$(page -o /dev/null -w '%{http_code}' "$at"/yards/heron-point)" != 200 ] || die "a page is shown to whoever asks"
if inside curl -sS --max-time 20 -o /dev/null "$at"/ 2>/dev/null; then die "a certificate of nobody's was believed"; fi
token=$(page "$at"/sign-in | sed -n 's/.*name="token" value="\([^"]*\)".*/\1/p')
[ "$(page -o /dev/null -w '%{http_code}' --data-urlencode "token=$token" -d name=maya -d password=guessed "$at"/sign-in)" != 303 ] || die "a wrong password signs in"
[ "$(page -o /dev/null -w '%{http_code}' --data-urlencode "token=$token" -d name=maya --data-urlencode "password=$password" "$at"/sign-in)" = 303 ] || die "maya cannot sign in"
page "$at"/yards/heron-point/hives/h01 >"$work/page"
grep -q '41\.2' "$work/page" || { cat "$work/page" >&2; die "the reading is not on the page"; }
page "$at/api/v1/readings" >"$work/readings"
grep -q '"weight_kg":41.25' "$work/readings" || die "no 41.25 kg in $(cat "$work/readings")"
grep -q '"weight_kg":52.75' "$work/readings" || die "no 52.75 kg in $(cat "$work/readings")"
if grep -Eq '"weight_kg":9[0-9]' "$work/readings"; then die "something refused was kept: $(cat "$work/readings")"; fi
[ "$(grep -o '"weight_kg"' "$work/readings" | wc -l)" = 2 ] || die "not two readings: $(cat "$work/readings")"

step "a backup, a stop, a new installation, and all is still there"
asOutyard outyard backup /var/lib/outyard/before.db
kill -TERM "$daemon"
wait "$daemon" || die "it did not stop well"
daemon=
inside apt-get install -qy --reinstall /tmp/outyard.deb >>"$work/apt.log" 2>&1 || { tail "$work/apt.log" >&2; die "the second installation"; }
grep -q heron-point "$root/etc/outyard/outyard.yaml" || die "the keeper's config was replaced"
launch
page "$at/api/v1/readings" | grep -q '"weight_kg":41.25' || die "the reading is gone"
kill -TERM "$daemon"
wait "$daemon" || die "it did not stop well"
daemon=

step "removed, the readings stay"
inside apt-get purge -qy outyard >>"$work/apt.log" 2>&1 || { tail "$work/apt.log" >&2; die "the removal"; }
[ ! -e "$root/usr/bin/outyard" ] || die "the program is still there"
[ -s "$root/var/lib/outyard/before.db" ] || die "a purge took the readings along"

echo "PASSED: installed, sent, seen, refused, kept"
