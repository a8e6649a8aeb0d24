/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "second_run.h"

#include "memory.h"

#include <gsl/gsl_linalg.h>
#include <ida/ida.h>
#include <math.h>
#include <nvector/nvector_serial.h>
#include <string.h>
#include <sunlinsol/sunlinsol_dense.h>
#include <sunmatrix/sunmatrix_dense.h>

/* Currents are held to the tolerance of voltages over this, ohm. */
#define TOLERANCE_OHM 1e3
#define MOST_STEPS    1000000 /* of IDA in a period */
/* Implicit Euler steps a period for the sensitivity. */
#define EULER_STEPS 128
/* A sensitivity that shrinks the move by this is kept. */
#define GOOD_CONTRACTION 0.1
/* Fourier sums go along IDA's own steps, in pieces of no more than this share of a period: samples at
 * equal distances would miss up to one of them of each jump. */
#define FOURIER_SHARE (1.0 / 256)
#define FIRST_SHARE   1e-9 /* of a period: IDA's first step */
#define MOST_PERIODS  1e6  /* after second_run_begin */
/* A start that shooting has moved obeys the equations only to first order; IDA wants it exact. Two
 * implicit Euler steps of this share of a period mend y and then its rate. It is as if the period
 * were that much longer. */
#define MENDING_SHARE 1e-7
#define MENDING_STEPS 2
#define MOST_NEWTON   30
/* Rounding where a floating capacitor over so short a step swamps the resistors beside it; Newton's
 * last step is far smaller than the one it is judged by. */
#define ROUNDING_V 1e-8

struct second_run {
    second_model *model;
    size_t n;
    SUNContext context;
    void *ida;
    SUNMatrix matrix;
    SUNLinearSolver solver;
    N_Vector y, rate, tolerance, between;
    double *sample; /* [EULER_STEPS][n]: y after each share of a period */
    double re[SECOND_HARMONICS + 1], im[SECOND_HARMONICS + 1]; /* of the output, over a period */
    double *start;                                             /* of the period, before mending */
    gsl_matrix *jacobian, *sensitivity, *product;
    gsl_permutation *order;
    gsl_vector *update;
    double *still, *storage, *before;
    double *orbit, *orbit_rate; /* where the orbit found last begins */
    double period_s, reached_s;
};

static int residual(double time_s, N_Vector y, N_Vector rate, N_Vector out, void *context)
{
    const second_run *run = context;
    second_model_residual(run->model, time_s, N_VGetArrayPointer(y), N_VGetArrayPointer(rate),
                          N_VGetArrayPointer(out));
    return 0;
}

static int jacobian(double time_s, double a, N_Vector y, N_Vector rate, N_Vector now, SUNMatrix to,
                    void *context, N_Vector work1, N_Vector work2, N_Vector work3)
{
    const second_run *run = context;
    (void)time_s, (void)now, (void)work1, (void)work2, (void)work3;
    second_model_jacobian(run->model, a, N_VGetArrayPointer(y), N_VGetArrayPointer(rate),
                          SUNDenseMatrix_Data(to));
    return 0;
}

void second_run_free(second_run *run)
{
    if (!run) {
        return;
    }
    if (run->ida) {
        IDAFree(&run->ida);
    }
    if (run->solver) {
        SUNLinSolFree(run->solver);
    }
    if (run->matrix) {
        SUNMatDestroy(run->matrix);
    }
    N_VDestroy(run->y);
    N_VDestroy(run->rate);
    N_VDestroy(run->tolerance);
    N_VDestroy(run->between);
    if (run->context) {
        SUNContext_Free(&run->context);
    }
    sag_free(run->sample);
    gsl_matrix_free(run->jacobian);
    gsl_matrix_free(run->sensitivity);
    gsl_matrix_free(run->product);
    gsl_permutation_free(run->order);
    gsl_vector_free(run->update);
    sag_free(run);
}

/* IDA's messages: failures are told by what it returns. */
static void say_nothing(int code, const char *module, const char *function, char *message,
                        void *context)
{
    (void)code, (void)module, (void)function, (void)message, (void)context;
}

static sag_status make_ida(second_run *run)
{
    sunindextype n = (sunindextype)run->n;
    if (SUNContext_Create(NULL, &run->context) != 0) {
        return SAG_NO_MEMORY;
    }
    run->y = N_VNew_Serial(n, run->context);
    run->rate = N_VNew_Serial(n, run->context);
    run->tolerance = N_VNew_Serial(n, run->context);
    run->between = N_VNew_Serial(n, run->context);
    run->matrix = SUNDenseMatrix(n, n, run->context);
    run->ida = IDACreate(run->context);
    if (!run->y || !run->rate || !run->tolerance || !run->between || !run->matrix || !run->ida) {
        return SAG_NO_MEMORY;
    }
    run->solver = SUNLinSol_Dense(run->y, run->matrix, run->context);
    N_VConst(0, run->y);
    N_VConst(0, run->rate);
    N_VConst(1, run->tolerance);
    int bad = !run->solver || IDAInit(run->ida, residual, 0, run->y, run->rate) != IDA_SUCCESS;
    bad = bad || IDASetErrHandlerFn(run->ida, say_nothing, NULL) != IDA_SUCCESS;
    bad = bad || IDASetUserData(run->ida, run) != IDA_SUCCESS;
    bad = bad || IDASVtolerances(run->ida, 0, run->tolerance) != IDA_SUCCESS;
    bad = bad || IDASetLinearSolver(run->ida, run->solver, run->matrix) != IDA_SUCCESS;
    bad = bad || IDASetJacFn(run->ida, jacobian) != IDA_SUCCESS;
    bad = bad || IDASetMaxNumSteps(run->ida, MOST_STEPS) != IDA_SUCCESS;
    return bad ? SAG_NO_MEMORY : SAG_OK;
}

sag_status second_run_new(second_model *model, second_run **out)
{
    *out = NULL;
    second_run *run = sag_new(1, sizeof *run);
    if (!run) {
        return SAG_NO_MEMORY;
    }
    size_t n = run->n = second_model_size(model);
    run->model = model;
    run->sample = sag_new(EULER_STEPS * n + 5 * n + n * n, sizeof *run->sample);
    run->jacobian = gsl_matrix_alloc(n, n);
    run->sensitivity = gsl_matrix_alloc(n, n);
    run->product = gsl_matrix_alloc(n, n);
    run->order = gsl_permutation_alloc(n);
    run->update = gsl_vector_alloc(n);
    sag_status status = SAG_NO_MEMORY;
    if (run->sample && run->jacobian && run->sensitivity && run->product && run->order &&
        run->update) {
        run->start = run->sample + EULER_STEPS * n;
        run->still = run->start + n;
        run->before = run->still + n;
        run->orbit = run->before + n;
        run->orbit_rate = run->orbit + n;
        run->storage = run->orbit_rate + n;
        status = make_ida(run);
    }
    if (status != SAG_OK) {
        second_run_free(run);
        return status;
    }
    *out = run;
    return SAG_OK;
}

long second_run_steps(const second_run *run)
{
    long steps = 0;
    IDAGetNumSteps(run->ida, &steps);
    return steps;
}

static double output_v(const second_run *run, N_Vector y)
{
    int output = second_model_output(run->model);
    return output < 0 ? 0 : NV_Ith_S(y, output) - second_model_rest(run->model)[output];
}

/* Adds the output times e^(-j k w t) over one step of IDA, by Gauss's three points. */
static int add_harmonics(second_run *run, double from_s, double to_s)
{
    static const double at[] = {-0.7745966692414834, 0, 0.7745966692414834};
    static const double weight[] = {5.0 / 18, 8.0 / 18, 5.0 / 18};
    double pieces = ceil((to_s - from_s) / (FOURIER_SHARE * run->period_s));
    double piece_s = (to_s - from_s) / pieces;
    for (int i = 0; i < (int)pieces; i++) {
        for (int g = 0; g < 3; g++) {
            double t = from_s + piece_s * (i + 0.5 + at[g] / 2);
            if (IDAGetDky(run->ida, t, 0, run->between) != IDA_SUCCESS) {
                return 0;
            }
            double v = output_v(run, run->between) * weight[g] * piece_s / run->period_s;
            double angle = 2 * M_PI * t / run->period_s;
            for (int k = 0; k <= SECOND_HARMONICS; k++) {
                run->re[k] += v * cos(k * angle);
                run->im[k] -= v * sin(k * angle);
            }
        }
    }
    return 1;
}

/* One period from y, rate at time 0: Fourier sums and samples of it, and y, rate at its end. */
static sag_status integrate(second_run *run, long *steps)
{
    size_t next = 1;
    double from_s = 0, to_s = 0;
    memset(run->re, 0, sizeof run->re);
    memset(run->im, 0, sizeof run->im);
    if (IDAReInit(run->ida, 0, run->y, run->rate) != IDA_SUCCESS ||
        IDASetInitStep(run->ida, FIRST_SHARE * run->period_s) != IDA_SUCCESS ||
        IDASetMaxStep(run->ida, run->period_s / 20) != IDA_SUCCESS ||
        IDASetStopTime(run->ida, run->period_s) != IDA_SUCCESS) {
        return SAG_BAD_ARGUMENT;
    }
    int flag = IDA_SUCCESS;
    while (flag != IDA_TSTOP_RETURN) {
        flag = IDASolve(run->ida, run->period_s, &to_s, run->y, run->rate, IDA_ONE_STEP);
        if (flag < 0 || !add_harmonics(run, from_s, to_s)) {
            return SAG_NOT_CONVERGED;
        }
        for (; next < EULER_STEPS && run->period_s * (double)next / EULER_STEPS <= to_s; next++) {
            double t = run->period_s * (double)next / EULER_STEPS;
            if (IDAGetDky(run->ida, t, 0, run->between) != IDA_SUCCESS) {
                return SAG_NOT_CONVERGED;
            }
            memcpy(run->sample + (next - 1) * run->n, N_VGetArrayPointer(run->between),
                   run->n * sizeof(double));
        }
        from_s = to_s;
    }
    memcpy(run->sample + (EULER_STEPS - 1) * run->n, N_VGetArrayPointer(run->y),
           run->n * sizeof(double));
    *steps += second_run_steps(run);
    return SAG_OK;
}

/* Product over the period of (C + h G)^-1 C, h a share of the period: d end / d start. */
static sag_status find_sensitivity(second_run *run)
{
    size_t n = run->n;
    double a = EULER_STEPS / run->period_s;
    int sign;
    gsl_matrix_set_identity(run->sensitivity);
    for (size_t i = 0; i < EULER_STEPS; i++) {
        const double *y = run->sample + i * n;
        /* column by column is the transpose for GSL */
        second_model_jacobian(run->model, a, y, run->still, run->jacobian->data);
        gsl_matrix_transpose(run->jacobian);
        second_model_storage(run->model, y, run->storage);
        gsl_matrix_set_zero(run->product);
        for (size_t k = 0; k < n; k++) {
            for (size_t row = 0; row < n; row++) {
                double c = a * run->storage[k * n + row];
                for (size_t j = 0; c != 0 && j < n; j++) {
                    run->product->data[row * n + j] += c * run->sensitivity->data[k * n + j];
                }
            }
        }
        if (gsl_linalg_LU_decomp(run->jacobian, run->order, &sign)) {
            return SAG_SINGULAR;
        }
        for (size_t j = 0; j < n; j++) {
            gsl_vector_view column = gsl_matrix_column(run->product, j);
            gsl_linalg_LU_svx(run->jacobian, run->order, &column.vector);
        }
        gsl_matrix_memcpy(run->sensitivity, run->product);
    }
    return SAG_OK;
}

/* Moves y from the end of a period to the start of the next: start + d = end + M d, d = (I - M)^-1
 * (end - start). Returns the largest move of a voltage in d. */
static sag_status shoot(second_run *run, double *move_v)
{
    size_t n = run->n;
    int sign;
    double *end = N_VGetArrayPointer(run->y);
    for (size_t i = 0; i < n; i++) {
        gsl_vector_set(run->update, i, end[i] - run->start[i]);
        for (size_t j = 0; j < n; j++) {
            run->jacobian->data[i * n + j] = (i == j) - run->sensitivity->data[i * n + j];
        }
    }
    if (gsl_linalg_LU_decomp(run->jacobian, run->order, &sign) ||
        gsl_linalg_LU_svx(run->jacobian, run->order, run->update)) {
        return SAG_SINGULAR;
    }
    *move_v = 0;
    for (size_t i = 0; i < n; i++) {
        double move = gsl_vector_get(run->update, i);
        if (!second_model_is_current(run->model, i)) {
            *move_v = fmax(*move_v, fabs(move));
        }
        for (size_t j = 0; j < n; j++) {
            end[i] += run->sensitivity->data[i * n + j] * gsl_vector_get(run->update, j);
        }
    }
    return isfinite(*move_v) ? SAG_OK : SAG_NOT_CONVERGED;
}

/* One implicit Euler step, the drive held at its value at time 0. */
static sag_status mend(second_run *run, double a, double error_v)
{
    size_t n = run->n;
    int sign;
    double *y = N_VGetArrayPointer(run->y), *rate = N_VGetArrayPointer(run->rate);
    memcpy(run->before, y, n * sizeof *y);
    for (int i = 0; i < MOST_NEWTON; i++) {
        double largest = 0;
        for (size_t k = 0; k < n; k++) {
            rate[k] = a * (y[k] - run->before[k]);
        }
        second_model_residual(run->model, 0, y, rate, run->update->data);
        second_model_jacobian(run->model, a, y, rate, run->jacobian->data);
        gsl_matrix_transpose(run->jacobian);
        if (gsl_linalg_LU_decomp(run->jacobian, run->order, &sign) ||
            gsl_linalg_LU_svx(run->jacobian, run->order, run->update)) {
            return SAG_SINGULAR;
        }
        for (size_t k = 0; k < n; k++) {
            double step = gsl_vector_get(run->update, k);
            y[k] -= step;
            largest = fmax(largest, fabs(step));
        }
        if (largest < fmax(error_v, ROUNDING_V)) {
            return SAG_OK;
        }
    }
    return SAG_NOT_CONVERGED;
}

static void read_figures(const second_run *run, double level_vpk, second_figures *figures)
{
    double squares = 0;
    figures->harmonic_vpk[0] = run->re[0];
    for (int k = 1; k <= SECOND_HARMONICS; k++) {
        figures->harmonic_vpk[k] = 2 * hypot(run->re[k], run->im[k]);
        squares += k > 1 ? figures->harmonic_vpk[k] * figures->harmonic_vpk[k] : 0;
    }
    figures->gain_db = 20 * log10(figures->harmonic_vpk[1] / level_vpk);
    figures->thd = sqrt(squares) / figures->harmonic_vpk[1];
}

static sag_status set_tolerance(second_run *run, double error_v)
{
    double *tolerance = N_VGetArrayPointer(run->tolerance);
    for (size_t i = 0; i < run->n; i++) {
        tolerance[i] = second_model_is_current(run->model, i) ? error_v / TOLERANCE_OHM : error_v;
    }
    int flag = IDASVtolerances(run->ida, 0, run->tolerance);
    return flag == IDA_SUCCESS ? SAG_OK : SAG_BAD_ARGUMENT;
}

sag_status second_run_orbit(second_run *run, double frequency_hz, double level_vpk, double error_v,
                            double enough_v, int most_periods, second_figures *figures)
{
    double *y = N_VGetArrayPointer(run->y);
    memset(figures, 0, sizeof *figures);
    second_model_drive(run->model, frequency_hz, level_vpk);
    run->period_s = 1 / frequency_hz;
    memcpy(y, second_model_rest(run->model), run->n * sizeof *y);
    memcpy(run->start, y, run->n * sizeof *y);
    N_VConst(0, run->rate);
    TRY(set_tolerance(run, error_v));
    double before_v = 0;
    while (figures->periods < most_periods) {
        TRY(integrate(run, &figures->steps));
        figures->periods++;
        if (figures->move_v > GOOD_CONTRACTION * before_v || figures->periods < 3) {
            TRY(find_sensitivity(run));
        }
        before_v = figures->move_v;
        TRY(shoot(run, &figures->move_v));
        if (figures->move_v < enough_v) {
            read_figures(run, level_vpk, figures);
            memcpy(run->orbit, y, run->n * sizeof *y);
            memcpy(run->orbit_rate, N_VGetArrayPointer(run->rate), run->n * sizeof *y);
            return SAG_OK;
        }
        memcpy(run->start, y, run->n * sizeof *y);
        for (int i = 0; i < MENDING_STEPS; i++) {
            TRY(mend(run, 1 / (MENDING_SHARE * run->period_s), error_v));
        }
    }
    return SAG_NOT_CONVERGED;
}

sag_status second_run_begin(second_run *run, double error_v)
{
    memcpy(N_VGetArrayPointer(run->y), run->orbit, run->n * sizeof(double));
    memcpy(N_VGetArrayPointer(run->rate), run->orbit_rate, run->n * sizeof(double));
    TRY(set_tolerance(run, error_v));
    run->reached_s = 0;
    if (IDAReInit(run->ida, 0, run->y, run->rate) != IDA_SUCCESS ||
        IDASetMaxStep(run->ida, 0) != IDA_SUCCESS || /* 0: as long as it likes */
        IDASetStopTime(run->ida, MOST_PERIODS * run->period_s) != IDA_SUCCESS) {
        return SAG_BAD_ARGUMENT;
    }
    double end_v;
    return second_run_period(run, 1, &end_v);
}

sag_status second_run_period(second_run *run, size_t outputs, double *wave_v)
{
    double from_s = run->reached_s, reached_s;
    for (size_t i = 0; i < outputs; i++) {
        run->reached_s = from_s + run->period_s * (double)(i + 1) / (double)outputs;
        if (IDASolve(run->ida, run->reached_s, &reached_s, run->y, run->rate, IDA_NORMAL) < 0) {
            return SAG_NOT_CONVERGED;
        }
        wave_v[i] = output_v(run, run->y);
    }
    return SAG_OK;
}
