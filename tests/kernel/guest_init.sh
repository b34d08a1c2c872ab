#!/bin/busybox sh
# SPDX-License-Identifier: MIT
# First process of the guest: loads the modules, puts a layer over the host's root, and then runs
# every command the host names on the control port. See machine.py. With rig.service on the kernel's
# command line the layer is on the disk, so that it outlives the guest, and the host's own service
# manager is started; the commands are then one of its services.
export PATH=/bin
/bin/busybox --install -s /bin
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t devtmpfs dev /dev
service=
read -r words < /proc/cmdline
case " $words " in *" rig.service "*) service=yes ;; esac
for module in /m/*.ko; do
    # no watchdog of the machine: emulated, the service manager does not always feed it in time
    case "$service$module" in yes*softdog.ko | yes*i6300esb.ko) continue ;; esac
    insmod "$module" || echo "module $module did not load"
done

mkdir /lower /rw /new
mount -t 9p -o trans=virtio,version=9p2000.L,ro,cache=loose,msize=262144 root /lower
if [ -n "$service" ]; then
    mount -t ext4 /dev/vda /rw || { echo "no disk"; echo o > /proc/sysrq-trigger; sleep 60; }
    # what the host itself has enabled is not started here
    for link in /lower/etc/systemd/system/*.wants/*; do
        hidden=/rw/upper/etc/systemd/system/${link#/lower/etc/systemd/system/}
        mkdir -p "${hidden%/*}"
        [ -e "$hidden" ] || [ -L "$hidden" ] || mknod "$hidden" c 0 0
    done
    [ ! -e /lower/.dockerenv ] || [ -e /rw/upper/.dockerenv ] || mknod /rw/upper/.dockerenv c 0 0
else
    mount -t tmpfs -o mode=0755 tmpfs /rw
fi
mkdir -p /rw/upper /rw/work
mount -t overlay -o lowerdir=/lower,upperdir=/rw/upper,workdir=/rw/work overlay /new

# The host's /run and /dev/shm hold sockets and locks of the host: the guest has its own.
mount -t tmpfs -o mode=0755 tmpfs /new/run
mkdir -p /new/run/job /new/run/work /new/run/lock
mount -t 9p -o trans=virtio,version=9p2000.L,msize=262144 job /new/run/job
for place in proc sys dev; do mount --move "/$place" "/new/$place"; done
mkdir -p /new/dev/pts /new/dev/shm
mount -t devpts -o mode=0620,ptmxmode=0666 devpts /new/dev/pts
mount -t tmpfs -o mode=1777 tmpfs /new/dev/shm
mount -t configfs configfs /new/sys/kernel/config
hostname emulated-board
ip link set lo up

for port in /new/sys/class/virtio-ports/*; do
    [ "$(cat "$port/name")" = control ] && control=/dev/${port##*/}
done
[ -n "$control" ] || { echo "no control port"; echo o > /new/proc/sysrq-trigger; sleep 60; }

cat > /new/run/agent.sh <<'AGENT'
# Each line on the control port is the name of a command file in the job folder; its name comes
# back when it has ended and its exit status stands in NAME.rc.
exec 3<>"$1"
echo ready >&3
while read -r name <&3; do
    (
        cd /run/job || exit
        setsid sh -c 'echo $$ > "$0.pid"; exec sh "$0.cmd"' "$name" \
            >"$name.out" 2>"$name.err" </dev/null 3>&-
        echo $? >"$name.rc"
        echo "$name" >&3
    ) &
done
AGENT
if [ -z "$service" ]; then
    exec chroot /new /bin/sh /run/agent.sh "$control"
fi
# the host's would be cleared, file by file
for place in /new/tmp /new/var/tmp; do mount -t tmpfs -o mode=1777 tmpfs "$place"; done
# the board is there before the service manager, as it is on a board
chroot /new /bin/sh /run/job/before.sh
mkdir -p /new/run/systemd/system/sysinit.target.wants
cat > /new/run/systemd/system/agent.service <<AGENT
[Unit]
DefaultDependencies=no
[Service]
ExecStart=/bin/sh /run/agent.sh $control
StandardInput=null
KillMode=process
AGENT
ln -s ../agent.service /new/run/systemd/system/sysinit.target.wants/
exec switch_root /new /lib/systemd/systemd --log-target=console
