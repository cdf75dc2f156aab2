"""What only looks like a leftover, with the same names, places and words: nothing of it may be named.

Files that Debian's packages bring or make are written from memory, shortened.
"""

from __future__ import annotations

from base import cpio, database, load_option, packed, picture, start_entry, swap
from leftovers import FX, GUID, KEY, Content

INNOCENTS: list[tuple[str, Content]] = [
    (
        "etc/NetworkManager/system-connections/wired.nmconnection",
        "[connection]\nid=Wired\ntype=ethernet\n[ipv4]\nmethod=auto\n",
    ),
    (
        "etc/apt/apt.conf.d/90comment",
        '// Acquire::http::Proxy "http://192.168.7.2:3142";\n# Acquire::http::Proxy "x";\n',
    ),
    ("etc/apt/apt.conf.d/91direct", 'Acquire::http::Proxy "DIRECT";\n'),
    ("etc/apt/apt.conf.d/92block", '/* Acquire::http::Proxy "http://192.168.7.2:3142";\n*/\n'),
    (
        "etc/apt/sources.list.d/other.list",
        "deb [signed-by=/usr/share/keyrings/x.gpg] https://packages.example.org/debian stable main\n".replace(
            "example.org", "mozilla.org"
        ),
    ),
    ("etc/lightdm/lightdm.conf", "[Seat:*]\nautologin-user=benchy\nautologin-user=\n"),
    ("etc/gdm3/daemon.conf", "[daemon]\nAutomaticLoginEnable=true\nAutomaticLoginEnable=false\n"),
    ("etc/ssh/sshd_config", "PermitRootLogin no\nPermitRootLogin yes\n"),
    ("etc/hosts", "127.0.0.1 localhost\n127.0.1.1 debian.localdomain debian\n::1 localhost\n"),
    ("etc/resolv.conf", "!link:/run/systemd/resolve/stub-resolv.conf"),
    ("etc/profile.d/bash_completion.sh", "!owned:# shellcheck shell=sh disable=SC1091\n"),
    ("etc/skel/.config/user-dirs.dirs", 'XDG_DESKTOP_DIR="$HOME/Desktop"\n'),
    ("etc/skel/.config/app.conf", "# for example /home/user/music\npath=$HOME/Music\n"),
    ("etc/skel/Desktop/terminal.desktop", "[Desktop Entry]\nExec=xfce4-terminal\n"),
    ("etc/skel/.config/tool", "!link:/usr/bin/xfce4-terminal"),
    (
        "etc/skel/.mozilla/firefox/x.default/places.sqlite",
        database(
            "CREATE TABLE moz_places (id INTEGER, visit_count INTEGER)",
            "CREATE TABLE moz_historyvisits (id INTEGER)",
            "INSERT INTO moz_places VALUES (1, 0)",
        ),
    ),
    ("etc/skel/.mozilla/firefox/x.default/logins.json", '{"nextId":1,"logins":[],"version":3}'),
    ("etc/skel/.config/chromium/Default/Preferences", '{"account_info":[],"browser":{"show_home_button":true}}'),
    ("etc/skel/.local/share/recently-used.xbel", '<?xml version="1.0"?>\n<xbel version="1.0">\n</xbel>\n'),
    ("usr/share/backgrounds/plain.jpg", picture()),
    ("root/.bash_history", ""),
    ("swapfile", swap(used=False)),
    (
        "boot/initrd.img-6.1.0-18-amd64",
        packed(
            cpio(
                ("bin/busybox", b"x"), ("conf/conf.d/zz-resume-auto", b"RESUME=none\n"), ("etc/modprobe.d/x.conf", b"x")
            )
        ),
    ),
    ("boot/efi/EFI/BOOT/BOOTX64.EFI", "MZ"),
    ("sys/firmware/efi/efivars/Boot0001-8be4df61-93ca-11d2-aa0d-00e098032b8c", load_option("debian")),
    ("var/log/apt/history.log", "Commandline: apt-get install xfce4\nInstall: xfce4:amd64\n"),
    ("var/log/dpkg.log.1.gz", packed("2026-11-02 status installed xfce4:all\n")),
    (
        "var/cache/debconf/config.dat",
        "Name: passwd/root-password\nTemplate: passwd/root-password\nValue: \n\n"
        "Name: keyboard-configuration/layout\nValue: English\n\n",
    ),
    ("usr/share/doc/ssh/id_rsa.example", KEY),
    ("etc/systemd/system/display-manager.service", "!link:/lib/systemd/system/lightdm.service"),
    ("etc/systemd/timesyncd.conf", "[Time]\nNTP=0.debian.pool.ntp.org 1.debian.pool.ntp.org\n"),
    ("etc/localtime", "!link:/usr/share/zoneinfo/Etc/UTC"),
    ("etc/default/keyboard", 'XKBMODEL="pc105"\nXKBLAYOUT="us"\nXKBVARIANT=""\n'),
    ("var/mail/root", ""),
    ("etc/cups/printers.conf", "# Printer configuration file for CUPS v2.4.2\n"),
    ("etc/firefox/policies/policies.json", '{"policies": {"DisableTelemetry": true}}'),
    ("etc/wpa_supplicant/functions.sh", "!owned:network=x\n"),
    ("etc/hostname", "localhost\n"),
    ("etc/initramfs-tools/initramfs.conf", "MODULES=most\nDEVICE=\nNFSROOT=auto\nRUNSIZE=10%\n"),
    ("etc/systemd/system/ssh.service.wants/sshd-keygen.service", "!link:/usr/lib/systemd/system/sshd-keygen.service"),
    ("var/lib/wtmpdb/wtmp.db", database("CREATE TABLE wtmp (User TEXT)")),
    ("var/lib/systemd/rfkill/pci-0000:02:00.0:wlan", "0\n"),
    ("var/lib/NetworkManager/NetworkManager.state", "[main]\nWirelessEnabled=true\n"),
    ("etc/rsyslog.d/50-default.conf", "auth,authpriv.* /var/log/auth.log\n#*.* @192.168.7.2\n"),
    (
        "boot/grub/grub.cfg",
        "### BEGIN /etc/grub.d/10_linux ###\n"
        "menuentry 'Debian GNU/Linux' $menuentry_id_option 'gnulinux-simple-0b1c' {\n}\n"
        "menuentry 'Debian GNU/Linux, with Linux 6.1.0-18-amd64 (recovery mode)' "
        "$menuentry_id_option 'gnulinux-6.1.0-18-amd64-recovery-0b1c' {\n\tlinux /vmlinuz-6.1.0-18-amd64 ro single\n}\n"
        "### BEGIN /etc/grub.d/30_os-prober ###\n### END /etc/grub.d/30_os-prober ###\n"
        "menuentry 'UEFI Firmware Settings' $menuentry_id_option 'uefi-firmware' {\n\tfwsetup\n}\n",
    ),
    (f"sys/firmware/efi/efivars/Boot0000-{GUID}", start_entry("debian", "\\EFI\\debian\\shimx64.efi")),
    (f"sys/firmware/efi/efivars/Boot0001-{GUID}", start_entry("UEFI OS", "\\EFI\\BOOT\\BOOTX64.EFI")),
    (f"sys/firmware/efi/efivars/Boot0002-{GUID}", start_entry("Linux Firmware Updater", "\\EFI\\debian\\fwupdx64.efi")),
    (
        f"sys/firmware/efi/efivars/Boot0003-{GUID}",
        start_entry("Diagnostics", "\\EFI\\HP\\SystemDiags\\SystemDiags.efi"),
    ),
    (f"sys/firmware/efi/efivars/BootOrder-{GUID}", b"\7\0\0\0\1\0\0\0"),
    ("etc/NetworkManager/conf.d/backend.conf", "[device]\nwifi.backend=iwd\nwifi.scan-rand-mac-address=no\n"),
    (
        "etc/sudoers",
        'Defaults\tenv_reset\nDefaults\tuse_pty\nDefaults:%sudo env_keep += "EDITOR"\n'
        "root ALL=(ALL:ALL) ALL\n%sudo ALL=(ALL:ALL) ALL\n@includedir /etc/sudoers.d\n",
    ),
    (
        "etc/samba/smb.conf",
        "[global]\n   workgroup = WORKGROUP\n   server role = standalone server\n[homes]\n   browseable = no\n"
        "[printers]\n   path = /var/tmp\n   printable = yes\n[print$]\n   path = /var/lib/samba/printers\n",
    ),
    ("etc/mdadm/mdadm.conf", "HOMEHOST <system>\nMAILADDR root\n# ARRAY /dev/md0\n"),
    ("etc/cups/subscriptions.conf", "# Subscription configuration file for CUPS v2.4.2\nNextSubscriptionId 1\n"),
    ("etc/aliases", "mailer-daemon: postmaster\npostmaster: root\nnobody: root\n"),
    ("etc/adduser.conf", "DSHELL=/bin/bash\nDHOME=/home\nSKEL=/etc/skel\n"),
    ("etc/systemd/system/multi-user.target.wants/cron.service", "!link:/usr/lib/systemd/system/cron.service"),
    ("var/lib/alsa/asound.state", "state.PCH {\n\tcontrol.1 {\n\t}\n}\n"),
    (
        "etc/sane.d/net.conf",
        "# This is the net backend configuration\n# connect_timeout = 60\n## saned hosts\n# 192.168.0.1\n",
    ),
    ("usr/lib/systemd/timesyncd.conf.d/50-debian.conf", "!owned:[Time]\nNTP=0.debian.pool.ntp.org\n"),
    ("etc/skel/.config/user-dirs.locale", "en_US"),
    ("etc/gdm3/daemon.conf", "[daemon]\nInitialSetupEnable=false\nInitialSetupEnable=true\n"),
    ("etc/gnome-initial-setup/vendor.conf", "[pages]\nskip=privacy;software\n"),
    ("var/backups/alternatives.tar.0", packed("x")),
    ("var/backups/dpkg.status.1.gz", packed("Package: bash\n")),
    ("var/backups/passwd.bak", "root:x:0:0:root:/root:/bin/bash\n"),
    (
        "var/lib/NetworkManager/NetworkManager-intern.conf",
        "# Internal configuration file. This file is written and read by NetworkManager.\n",
    ),
    (
        "boot/efi/EFI/debian/grub.cfg",
        "search.fs_uuid 0b1c root\nset prefix=($root)'/boot/grub'\nconfigfile $prefix/grub.cfg\n",
    ),
    ("boot/grub/grubenv", "# GRUB Environment Block\n#######"),
    ("var/lib/ucf/hashfile", "d41d8cd98f00b204e9800998ecf8427e  /etc/default/grub\n"),
    ("var/spool/anacron/cron.daily", "20261102\n"),
    ("var/lib/systemd/timesync/clock", ""),
    (f"{FX}/favicons.sqlite", database("CREATE TABLE moz_pages_w_icons (page_url TEXT)")),
    (f"{FX}/permissions.sqlite", database("CREATE TABLE moz_perms (origin TEXT)")),
    (
        "etc/grub.d/40_custom",
        "#!/bin/sh\nexec tail -n +3 $0\n# This file provides an easy way to add custom menu entries.\n",
    ),
    ("etc/lvm/lvm.conf", "config {\n\tchecks = 1\n}\n"),
    ("var/lib/dbus/.keep", ""),
    ("var/cache/fontconfig/abc.cache-8", b"x"),
    ("etc/resolv.conf", "nameserver 127.0.0.53\noptions edns0 trust-ad\n"),
    (
        "etc/apt/sources.list.d/debian.sources",
        "Types: deb\nURIs: http://deb.debian.org/debian/\nSuites: trixie trixie-updates\n"
        "Components: main non-free-firmware\n"
        "Signed-By: /usr/share/keyrings/debian-archive-keyring.gpg\n",
    ),
    ("etc/crypttab", "# <target name>\t<source device>\t\t<key file>\t<options>\n"),
    (
        "etc/pam.d/lightdm",
        "auth      requisite pam_nologin.so\n"
        "auth      sufficient pam_succeed_if.so user ingroup nopasswdlogin\n@include common-auth\n",
    ),
    ("etc/pam.d/lightdm-autologin", "auth      required pam_permit.so\n"),
    (
        "etc/ppp/pap-secrets",
        "# Every regular user can use PPP and has to use passwords from /etc/passwd\n"
        '*\thostname\t""\t*\nguest\thostname\t"*"\t-\n#*\tpassword\n',
    ),
    ("etc/ppp/chap-secrets", "# Secrets for authentication using CHAP\n# client\tserver\tsecret\t\t\tIP addresses\n"),
    (
        "etc/ppp/peers/provider",
        '# MUST CHANGE: replace myusername@realm with the PPP login name\nuser "myusername@realm"\n'
        'connect "/usr/sbin/chat -v -f /etc/chatscripts/pap -T ********"\n/dev/modem\n115200\n',
    ),
    (
        "etc/ufw/user.rules",
        "*filter\n:ufw-user-input - [0:0]\n:ufw-user-limit-accept - [0:0]\n### RULES ###\n\n"
        "### END RULES ###\n-A ufw-user-limit -j REJECT\n-A ufw-user-limit-accept -j ACCEPT\n"
        "COMMIT\n",
    ),
    ("etc/iptables/rules.v4", "*filter\n:INPUT ACCEPT [0:0]\n:FORWARD ACCEPT [0:0]\nCOMMIT\n"),
    (
        "etc/nftables.conf",
        "#!/usr/sbin/nft -f\n\nflush ruleset\n\ntable inet filter {\n\tchain input {\n"
        "\t\ttype filter hook input priority filter;\n\t}\n}\n",
    ),
    ("etc/auto.misc", "cd\t\t-fstype=iso9660,ro,nosuid,nodev\t:/dev/cdrom\n"),
    ("etc/auto.master", "+dir:/etc/auto.master.d\n/misc\t/etc/auto.misc\n+auto.master\n"),
    (
        "etc/exim4/passwd.client",
        "# password file used when the local exim is authenticating to a remote\n"
        "### target.mail.server.example:login:password\n",
    ),
    (
        "etc/idmapd.conf",
        "[General]\n\nVerbosity = 0\n# Domain = localdomain\n\n[Mapping]\nNobody-User = nobody\n"
        "Nobody-Group = nogroup\n",
    ),
    (
        "etc/ldap/ldap.conf",
        "#BASE\tdc=example,dc=com\n#URI\tldap://ldap.example.com\nTLS_CACERT\t/etc/ssl/certs/ca-certificates.crt\n",
    ),
    (
        "etc/hosts.allow",
        "# /etc/hosts.allow: list of hosts that are allowed to access the system.\n#ALL: LOCAL @some_netgroup\n",
    ),
    ("etc/rsyslog.conf", 'module(load="imuxsock")\n*.*;auth,authpriv.none\t-/var/log/syslog\n*.emerg\t:omusrmsg:*\n'),
    (
        "etc/skel/.mozilla/firefox/x.default/prefs.js",
        'user_pref("browser.startup.homepage", "https://www.debian.org");\n',
    ),
    (
        "etc/skel/.config/xfce4/xfconf/xfce-perchannel-xml/xfce4-desktop.xml",
        '<property name="last-image" type="string" value="/usr/share/doc/openssl/test.key"/>',
    ),
    ("etc/skel/examples.desktop", "[Desktop Entry]\nExec=xfce4-terminal\n"),
    ("etc/security/opasswd", ""),
    ("etc/bluetooth/main.conf", "[General]\n#Name = BlueZ\n[Policy]\nAutoEnable=true\n"),
    ("etc/avahi/avahi-daemon.conf", "[server]\nuse-ipv4=yes\n#host-name=foo\n[publish]\npublish-hinfo=no\n"),
    (
        "etc/dhcp/dhclient.conf",
        "option rfc3442-classless-static-routes code 121 = array of unsigned integer 8;\n"
        "send host-name = gethostname();\nrequest subnet-mask, broadcast-address, time-offset,\n"
        '\tdomain-name-servers, host-name;\n#supersede domain-name "fugue.com home.vix.com";\n',
    ),
    ("etc/speech-dispatcher/speechd.conf", "LogLevel  3\nDefaultVolume 100\n"),
    ("etc/logrotate.d/apt", "/var/log/apt/term.log {\n  rotate 12\n}\n"),
    ("var/log/fontconfig.log", "/usr/share/fonts: caching, new cache contents: 0 fonts, 1 dirs\n"),
    (
        "var/log/unattended-upgrades/unattended-upgrades.log",
        "2026-11-02 10:00:00,000 INFO No packages found that can be upgraded unattended\n",
    ),
    ("var/lib/systemd/backlight/pci-0000:00:02.0:backlight:intel_backlight", "60\n"),
    ("var/lib/systemd/timers/stamp-fstrim.timer", ""),
    ("var/lib/colord/icc/.keep", ""),
    ("var/lib/logrotate/status", 'logrotate state -- version 2\n"/var/log/apt/term.log" 2026-11-2-0:0:0\n'),
    (
        "var/cache/debconf/config.dat",
        "Name: openssh-server/password-authentication\n"
        "Template: openssh-server/password-authentication\nValue: false\nOwners: openssh-server\n\n"
        "Name: mirror/http/hostname\nTemplate: mirror/http/hostname\nValue: deb.debian.org\n\n"
        "Name: netcfg/get_hostname\nTemplate: netcfg/get_hostname\nValue: debian\n",
    ),
    (
        "etc/default/grub",
        "GRUB_DEFAULT=0\nGRUB_TIMEOUT=5\n"
        "GRUB_DISTRIBUTOR=`( . /etc/os-release; echo ${NAME:-Debian} ) 2>/dev/null || echo Debian`\n"
        'GRUB_CMDLINE_LINUX_DEFAULT="quiet splash"\n#GRUB_DISABLE_OS_PROBER=false\n'
        '#GRUB_CMDLINE_LINUX="debug"\n',
    ),
    ("etc/initramfs-tools/conf.d/resume", "RESUME=none\n"),
    ("etc/kernel/postinst.d/initramfs-tools", "#!/bin/sh -e\n"),
    (
        "etc/network/interfaces",
        "source /etc/network/interfaces.d/*\n\n# The loopback network interface\nauto lo\n"
        "iface lo inet loopback\n\n# The primary network interface\n#allow-hotplug enp0s3\n"
        "#iface enp0s3 inet dhcp\n",
    ),
    ("etc/gdm3/greeter.dconf-defaults", "[org/gnome/desktop/interface]\n# gtk-theme='Adwaita'\n"),
    ("etc/dconf/db/ibus.d/00-upstream-settings", "[desktop/ibus/general]\npreload-engines=@as []\n"),
    ("etc/sddm.conf.d/theme.conf", "[Theme]\nCurrent=debian-breeze\n[Autologin]\nUser=\n"),
    (
        "etc/anacrontab",
        "SHELL=/bin/sh\nHOME=/root\nLOGNAME=root\n1\t5\tcron.daily\trun-parts --report /etc/cron.daily\n"
        "7\t10\tcron.weekly\trun-parts --report /etc/cron.weekly\n"
        "@monthly\t15\tcron.monthly\trun-parts --report /etc/cron.monthly\n",
    ),
    ("etc/lightdm/lightdm-gtk-greeter.conf", "[greeter]\n#background=\n#user-background=\ntheme-name=Adwaita\n"),
    (
        "etc/lightdm/users.conf",
        "[UserList]\nminimum-uid=500\nhidden-users=nobody nobody4 noaccess\n"
        "hidden-shells=/bin/false /usr/sbin/nologin /sbin/nologin\n",
    ),
    (
        "etc/",
        {
            "fstab": b"UUID=0b1c / ext4 errors=remount-ro 0 1\nUUID=5a5a-11 none swap sw 0 0\n",
            "initramfs-tools/conf.d/resume": b"RESUME=UUID=5a5a-11\n",
        },
    ),
    (
        "etc/apt/preferences.d/backports",
        "Package: *\nPin: release a=bookworm-backports\nPin-Priority: 100\n",
    ),
    ("etc/systemd/logind.conf.d/dock.conf", "[Login]\nHandleLidSwitchDocked=ignore\n"),
    (
        "etc/motd",
        "\nThe programs included with the Debian GNU/Linux system are free software;\n"
        "the exact distribution terms for each program are described in the\n"
        "individual files in /usr/share/doc/*/copyright.\n\n"
        "Debian GNU/Linux comes with ABSOLUTELY NO WARRANTY, to the extent\npermitted by applicable law.\n",
    ),
    ("etc/issue", "Debian GNU/Linux 12 \\n \\l\n\n"),
    ("etc/hosts.deny", "# ALL: PARANOID\n"),
    ("etc/adjtime", "0.0 0 0.0\n0\nUTC\n"),
    ("etc/avahi/avahi-daemon.conf", "[server]\n#host-name=foo\n#domain-name=local\nuse-ipv4=yes\n"),
    ("etc/postfix/main.cf", "myhostname = localhost\nmydestination = localhost\n"),
    (
        "etc/smartd.conf",
        "DEVICESCAN -d removable -n standby -m root -M exec /usr/share/smartmontools/smartd-runner\n",
    ),
    ("etc/zabbix/zabbix_agentd.conf", "Server=127.0.0.1\nServerActive=127.0.0.1\nHostname=Zabbix server\n"),
    ("etc/snmp/snmpd.conf", "agentaddress 127.0.0.1,[::1]\nrocommunity public default -V systemonly\n"),
    ("etc/wvdial.conf", "[Dialer Defaults]\nPhone = <Target Phone Number>\nUsername = <Your Login Name>\n"),
    ("etc/ld.so.conf.d/libc.conf", "/usr/local/lib\n"),
    ("etc/login.defs", "UID_MIN 1000\nUID_MAX 60000\nUMASK 022\nHOME_MODE 0700\n"),
    ("etc/systemd/user.conf", "[Manager]\n#DefaultEnvironment=DISPLAY=:0\n"),
    ("media/cdrom", "!link:cdrom0"),
    ("var/log/fontconfig.log", "/usr/share/fonts: caching, new cache contents: 0 fonts, 9 dirs\n"),
    ("etc/bluetooth/main.conf", "[General]\n# Defaults to 'BlueZ X.YZ'\n#Name = BlueZ\nName = %h-%d\n"),
    ("etc/swanctl/swanctl.conf", "# Include config snippets\n# secret = x\ninclude conf.d/*.conf\n"),
    ("etc/gshadow-", "root:*::\ndaemon:*::\nscanner:!::\nnogroup:*::\n"),
    ("etc/postfix/sasl_passwd", "# [mail.example.org]:587 user:password\n"),
    ("etc/rsyncd.secrets", "# name:password\n"),
]
