#!/bin/sh
# Makes the secrets that docker-compose.yml mounts as files. Run it once; files that exist are left alone.
set -eu
folder=$(dirname "$0")/secrets
mkdir -p "$folder"
chmod 700 "$folder"

random() { LC_ALL=C tr -dc 'A-Za-z0-9' </dev/urandom | head -c "$1"; }
# The folder keeps strangers out; the files themselves must be readable by the containers' own users.
keep() {
    if [ -e "$folder/$1" ]; then echo "kept    $1"; else printf '%s' "$2" >"$folder/$1"; echo "made    $1"; fi
    chmod 444 "$folder/$1"
}

keep secret_key "$(random 64)"
keep database_password "$(random 40)"
keep database_url "postgres://broodtide:$(cat "$folder/database_password")@database:5432/broodtide"
keep smtp_password ""
