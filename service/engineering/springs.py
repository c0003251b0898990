"""Springs: loads, variability, deviation and travel of spring supports.

Up is positive; movement is from cold to hot; a load is the upward force of the spring. A variable
spring's load falls as the pipe rises, at its rate; a constant support's stays within its deviation.
"""

from __future__ import annotations

from service.errors import OutOfRange


def spring_load_n(pipe_load_n: float, hardware_weight_n: float, load_share: float) -> float:
    """Load of one spring assembly: its share of the load at the pipe plus the hardware's weight.

    Args:
        pipe_load_n: load of the hanger on the pipe [N]
        hardware_weight_n: weight of rod, clamp and beam that the springs carry too [N]
        load_share: the assembly's share of the hanger's load [1]

    Returns:
        load of one assembly [N]

    Source: ASME B31.1 121.7.3(A) (from memory): weight balance plus the weight of hanger parts.
    """
    return (pipe_load_n + hardware_weight_n) * load_share


def cold_load_n(hot_load_n: float, rate_n_per_m: float, movement_m: float) -> float:
    """Cold load of a variable spring: F_c = F_h + k d.

    Args:
        hot_load_n: load in operation F_h [N]
        rate_n_per_m: spring rate k, > 0 [N/m]
        movement_m: design movement d from cold to hot, up positive [m]

    Returns:
        cold load [N]; larger than the hot load where the pipe rises

    Source: mechanics (Hooke's law).
    """
    return hot_load_n + rate_n_per_m * movement_m


def hot_load_n(cold_load_n: float, rate_n_per_m: float, movement_m: float) -> float:
    """Hot load of a variable spring: F_h = F_c - k d, the inverse of `cold_load_n`.

    Args:
        cold_load_n: installed load F_c [N]
        rate_n_per_m: spring rate k, > 0 [N/m]
        movement_m: design movement d from cold to hot, up positive [m]

    Returns:
        hot load [N]

    Source: mechanics (Hooke's law).
    """
    return cold_load_n - rate_n_per_m * movement_m


def load_at_position_n(known_load_n: float, rate_n_per_m: float, rise_m: float) -> float:
    """Load of a variable spring when the pipe has risen from a position of known load.

    Args:
        known_load_n: load at the known position [N]
        rate_n_per_m: spring rate, > 0 [N/m]
        rise_m: rise of the pipe since the known position, up positive [m]

    Returns:
        load [N]

    Source: mechanics (Hooke's law).
    """
    return known_load_n - rate_n_per_m * rise_m


def variability(rate_n_per_m: float, movement_m: float, hot_load_n: float) -> float:
    """Variability of a variable spring: V = k |d| / F_h.

    Args:
        rate_n_per_m: spring rate k, > 0 [N/m]
        movement_m: design movement d, of either sign [m]
        hot_load_n: load in operation F_h, > 0 [N]

    Returns:
        variability as a ratio [1]

    Raises:
        OutOfRange: the hot load is not positive

    Source: MSS SP-58 (from memory); the basis is the hot load.
    """
    if not hot_load_n > 0.0:
        raise OutOfRange("The hot load must be greater than zero.", hot_load_n=hot_load_n)
    return rate_n_per_m * abs(movement_m) / hot_load_n


def largest_rate_n_per_m(variability_limit: float, hot_load_n: float, movement_m: float) -> float:
    """Largest spring rate that keeps the variability: k_max = V F_h / |d|.

    Args:
        variability_limit: limit V as a ratio [1]
        hot_load_n: load in operation F_h [N]
        movement_m: design movement d, not zero [m]

    Returns:
        rate [N/m]

    Raises:
        OutOfRange: the movement is zero, so that any rate would do

    Source: MSS SP-58 (from memory), solved for the rate.
    """
    if movement_m == 0.0:
        raise OutOfRange("Without movement every spring rate keeps the variability.", movement_m=movement_m)
    return variability_limit * hot_load_n / abs(movement_m)


def deviation_about_mean(highest_down_n: float, lowest_up_n: float) -> float:
    """Deviation of a constant support's load test, about the mean: (max - min)/(max + min).

    Args:
        highest_down_n: highest load while the load moves down [N]
        lowest_up_n: lowest load while the load moves up [N]

    Returns:
        deviation as a ratio [1]

    Source: GB/T 17116.1 (read on a secondary page).
    """
    return (highest_down_n - lowest_up_n) / (highest_down_n + lowest_up_n)


def deviation_about_rated(highest_down_n: float, lowest_up_n: float, rated_n: float) -> float:
    """Deviation of a constant support's load test, about the rated load: (max - min)/(2 F).

    Args:
        highest_down_n: highest load while the load moves down [N]
        lowest_up_n: lowest load while the load moves up [N]
        rated_n: rated load F, > 0 [N]

    Returns:
        deviation as a ratio [1]

    Source: MSS SP-58 (from memory).
    """
    return (highest_down_n - lowest_up_n) / (2.0 * rated_n)


def largest_single_deviation(highest_down_n: float, lowest_up_n: float, rated_n: float) -> float:
    """Largest deviation of one reading of a load test from the rated load.

    Args:
        highest_down_n: highest load while the load moves down [N]
        lowest_up_n: lowest load while the load moves up [N]
        rated_n: rated load, > 0 [N]

    Returns:
        deviation as a ratio, of either reading [1]

    Source: GB/T 17116.1 (read on a secondary page): each reading must keep the limit too.
    """
    return max(abs(highest_down_n - rated_n), abs(lowest_up_n - rated_n)) / rated_n


def required_total_travel_m(movement_m: float, share: float, least_m: float) -> float:
    """Total travel that a constant support needs: T = |d| + max(share |d|, least).

    Args:
        movement_m: design movement d, of either sign [m]
        share: allowance as a share of the movement [1]
        least_m: least allowance [m]

    Returns:
        total travel [m]

    Source: MSS SP-58 (from memory) with 20 % and 25 mm (1 in); GB/T 17116.1 with 20 % and 20 mm.
    """
    return abs(movement_m) + max(share * abs(movement_m), least_m)


def required_reserve_m(travel_m: float, share: float, least_m: float) -> float:
    """Reserve that must stay to each end of travel: max(share of the whole travel, least).

    Args:
        travel_m: total travel, or working range as a length [m]
        share: share of it [1]
        least_m: least length [m]

    Returns:
        reserve [m]

    Source: common practice, no source.
    """
    return max(share * abs(travel_m), least_m)


def rise_from_reading_m(reading_m: float, reference_m: float, rises_with_pipe: bool) -> float:
    """Rise of the pipe between two readings of a position indicator.

    Args:
        reading_m: the reading [m]
        reference_m: the reading that it is compared with [m]
        rises_with_pipe: whether the reading grows when the pipe rises

    Returns:
        rise of the pipe, up positive [m]

    Source: mechanics.
    """
    difference_m = reading_m - reference_m
    return difference_m if rises_with_pipe else -difference_m
