#!/usr/bin/env bash
# Makes the passwords, the token, the authority and the certificate that
# compose.yaml mounts, into secrets/ beside this file. What is there already is
# left alone. It needs openssl, and mosquitto_passwd (apt-get install mosquitto).
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")"
umask 0077
mkdir -p secrets
cd secrets

[ -f ca.crt ] || openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 3650 -subj "/CN=bees authority" -keyout ca.key -out ca.crt
if [ ! -f server.crt ]; then
	openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -subj "/CN=outyard" -keyout server.key -out server.csr
	printf 'subjectAltName=DNS:outyard,DNS:mosquitto,DNS:localhost,IP:127.0.0.1\n' >server.ext
	openssl x509 -req -in server.csr -CA ca.crt -CAkey ca.key -CAcreateserial -days 825 -extfile server.ext -out server.crt
	rm server.csr server.ext
fi
for name in broker-password influx-password influx-token; do
	[ -f "$name" ] || openssl rand -hex 24 >"$name"
done
# The token is outyard's to give: outyard keeper token add NAME --for prometheus
[ -f outyard-token ] || : >outyard-token
[ -f mosquitto-passwd ] || PATH="$PATH:/usr/sbin" mosquitto_passwd -c -b mosquitto-passwd outyard "$(cat broker-password)"

# The programs in the containers are users of their own and read what is mounted
# for them; on this machine the folder around it lets nobody else in.
chmod 0644 ca.crt server.crt outyard-token mosquitto-passwd server.key broker-password influx-password influx-token
chmod 0700 . && chmod 0600 ca.key
