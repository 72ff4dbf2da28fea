/* Reads the same objects again and again with net-snmp's library, and says what that cost.
 * usage: net_snmp_reads HOST:PORT READS OID...
 * prints: processor seconds, wall seconds
 */
#include <net-snmp/net-snmp-config.h>
#include <net-snmp/net-snmp-includes.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <sys/time.h>

static double cpu_s(void)
{
    struct rusage used;
    getrusage(RUSAGE_SELF, &used);
    return used.ru_utime.tv_sec + used.ru_stime.tv_sec + (used.ru_utime.tv_usec + used.ru_stime.tv_usec) / 1e6;
}

static double wall_s(void)
{
    struct timeval now;
    gettimeofday(&now, NULL);
    return now.tv_sec + now.tv_usec / 1e6;
}

int main(int argc, char **argv)
{
    struct snmp_session wanted, *session;
    long reads = atol(argv[2]);
    netsnmp_ds_set_boolean(NETSNMP_DS_LIBRARY_ID, NETSNMP_DS_LIB_DONT_READ_CONFIGS, 1);
    setenv("MIBS", "", 1);
    init_snmp("bench");
    snmp_sess_init(&wanted);
    wanted.peername = argv[1];
    wanted.version = SNMP_VERSION_2c;
    wanted.community = (u_char *)"public";
    wanted.community_len = 6;
    session = snmp_open(&wanted);
    if (!session)
        return 1;
    oid names[128][MAX_OID_LEN];
    size_t lengths[128];
    int count = argc - 3;
    for (int i = 0; i < count; i++) {
        lengths[i] = MAX_OID_LEN;
        if (!read_objid(argv[3 + i], names[i], &lengths[i]))
            return 2;
    }
    double cpu = cpu_s(), wall = wall_s();
    long values = 0;
    for (long n = 0; n < reads; n++) {
        netsnmp_pdu *request = snmp_pdu_create(SNMP_MSG_GET), *reply = NULL;
        for (int i = 0; i < count; i++)
            snmp_add_null_var(request, names[i], lengths[i]);
        if (snmp_synch_response(session, request, &reply) != STAT_SUCCESS || reply->errstat != SNMP_ERR_NOERROR)
            return 3;
        for (netsnmp_variable_list *v = reply->variables; v; v = v->next_variable)
            values += v->val_len > 0;
        snmp_free_pdu(reply);
    }
    printf("%.6f %.6f %ld\n", cpu_s() - cpu, wall_s() - wall, values);
    return 0;
}
