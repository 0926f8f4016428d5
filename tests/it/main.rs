fn _x() {}
mod real_sensor;
