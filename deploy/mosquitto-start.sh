#!/bin/sh
# Makes the broker's password file from the mounted secrets, then becomes the broker.
set -eu
passwords=/tmp/mosquitto.passwords
umask 077
for user in evenleaf sensors; do
  printf '%s:%s\n' "$user" "$(cat "/run/secrets/mqtt_${user}_password")"
done >"$passwords"
mosquitto_passwd -U "$passwords"
chown mosquitto "$passwords" # the broker gives up root before it reads it again
exec mosquitto -c /mosquitto/config/mosquitto.conf
